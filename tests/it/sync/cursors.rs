//! What a cursor and an ack are good for, and what they are not.

use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};
use system_tests::harness::device::{Device, closed, opened, seq_of, statuses};

/// Five items and a weighing, of which items 2 and 4 are deleted again: changes 7 and 8.
async fn with_deleted(app: &TestApp) -> (Kitroom, Device, Vec<uuid::Uuid>) {
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ids: Vec<_> = (0..5).map(|_| new_id()).collect();
    let mut ops: Vec<Value> =
        ids.iter().enumerate().map(|(n, id)| device.create_item(*id, &format!("item {n}"))).collect();
    ops.push(device.op("append", "weighing", new_id(), 0, weighing(ids[0], 400.0)));
    ops.push(device.op("delete", "item", ids[2], 0, Value::Null));
    ops.push(device.op("delete", "item", ids[4], 0, Value::Null));
    assert_eq!(statuses(&device.push(&ops).await), vec!["applied"; 8]);
    (kit, device, ids)
}

#[tokio::test]
async fn list_changes_from_the_beginning_leaves_out_what_was_deleted_and_gives_what_is_deleted_later() {
    let app = TestApp::start().await;
    let (kit, mut device, ids) = with_deleted(&app).await;
    for limit in [1, 2, 3, 4, 5, 2000] {
        let (changes, cursor) = device.pull(limit).await;
        assert_eq!(changes.iter().map(|c| c.seq).collect::<Vec<_>>(), [1, 2, 4, 6], "pages of {limit}");
        assert_eq!(seq_of(&cursor), 8);
        assert!(opened(&cursor).get("h").is_none(), "it has come past where it began");
    }
    // Deleted while the reader is on its way: that is told, whether the record was read already or not.
    let first = device.page(None, 1).await;
    let ops = [
        device.op("delete", "item", ids[1], 8, Value::Null),
        device.op("delete", "item", ids[3], 8, Value::Null),
    ];
    device.push(&ops).await;
    let rest = device.page(Some(&first.next_cursor), 100).await;
    let told: Vec<_> = rest.changes.iter().map(|change| (change.seq, change.deleted)).collect();
    assert_eq!(told, [(6, false), (9, true), (10, true)]);
    // Whoever had read it all hears of every deletion.
    let before = closed(&opened(&first.next_cursor).without("h"));
    let page = Device::new(&kit.viewer, kit.id).page(Some(&before), 100).await;
    let deleted: Vec<_> = page.changes.iter().filter(|change| change.deleted).map(|c| c.seq).collect();
    assert_eq!(deleted, [7, 8, 9, 10]);
}

#[tokio::test]
async fn list_changes_of_a_kitroom_where_all_is_deleted_ends_at_its_head() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let gone = new_id();
    let ops = [device.create_item(gone, "x"), device.op("delete", "item", gone, 0, Value::Null)];
    device.push(&ops).await;
    let page = device.page(None, 100).await;
    assert!(page.changes.is_empty() && !page.has_more && page.head_seq == 2);
    let ops = [device.op("restore", "item", gone, 2, Value::Null)];
    device.push(&ops).await;
    let page = device.page(Some(&page.next_cursor), 100).await;
    assert_eq!(page.changes.iter().map(|change| change.seq).collect::<Vec<_>>(), [3]);
}

#[tokio::test]
async fn list_changes_with_a_cursor_of_an_older_schema_gives_the_kinds_that_it_lacked_first() {
    let app = TestApp::start().await;
    let (_, mut device, ids) = with_deleted(&app).await;
    let (whole, cursor) = device.pull(100).await;
    let ops =
        [device.op("patch", "item", ids[0], 8, json!({"size": "M"})), device.create_item(new_id(), "new")];
    device.push(&ops).await;
    // No kind was there in version 0, so a reader of that version lacks them all.
    let older = closed(&opened(&cursor).with("c", 0));
    for limit in [1, 2, 3, 100] {
        let (mut got, mut at, mut pages) = (Vec::new(), older.clone(), 0);
        loop {
            let page = device.page(Some(&at), limit).await;
            assert!(page.changes.len() as i64 <= limit);
            got.extend(page.changes);
            (at, pages) = (page.next_cursor, pages + 1);
            if !page.has_more {
                break;
            }
            assert!(pages < 20, "it does not come to an end");
        }
        let seqs: Vec<_> = got.iter().map(|change| change.seq).collect();
        // Change 1 has moved to 9: it comes once, with what came after the cursor.
        assert_eq!(seqs, [2, 4, 6, 9, 10], "pages of {limit}");
        assert_eq!((opened(&at)["c"].clone(), opened(&at).get("b")), (json!(1), None));
        // It lacks nothing any more.
        assert!(device.page(Some(&at), limit).await.changes.is_empty());
    }
    assert_eq!(whole.len(), 4);
    // What is deleted while the lacking kinds are read comes after them.
    let first = device.page(Some(&older), 1).await;
    assert!(first.has_more && opened(&first.next_cursor)["b"] == 2);
    let ops = [device.op("delete", "item", ids[3], 10, Value::Null)];
    device.push(&ops).await;
    let (mut at, mut told) = (first.next_cursor, Vec::new());
    loop {
        let page = device.page(Some(&at), 1).await;
        told.extend(page.changes.iter().map(|change| (change.seq, change.deleted)));
        at = page.next_cursor;
        if !page.has_more {
            break;
        }
    }
    assert_eq!(told, [(6, false), (9, false), (10, false), (11, true)]);
}

#[tokio::test]
async fn list_changes_with_a_cursor_of_a_newer_schema_is_refused_and_a_newer_reader_is_not() {
    let app = TestApp::start().await;
    let (_, device, _) = with_deleted(&app).await;
    let (_, cursor) = device.pull(100).await;
    let newer = closed(&opened(&cursor).with("c", 2));
    let problem = device.asking(Some(&newer), 10).send().await.problem("schema-unsupported");
    assert_eq!((&problem["min"], &problem["current"]), (&1.into(), &1.into()));
    let reply = device.asking_with(Some(&cursor), "schema_version=7").send().await.expect(200);
    assert_eq!(opened(reply.text("next_cursor"))["c"], 1, "its cursor says what it was given");
    for version in [0, -1, 1_000_001] {
        let reply = device.asking_with(None, &format!("schema_version={version}")).send().await;
        assert_eq!(reply.problem("validation-failed")["errors"][0]["pointer"], "?schema_version");
    }
}

#[tokio::test]
async fn push_that_rests_on_a_lost_history_is_refused_whole_and_taken_without_it() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops: Vec<Value> = (0..3).map(|n| device.create_item(new_id(), &format!("item {n}"))).collect();
    let ack = device.pushing(&ops).send().await.expect(200).text("ack").to_owned();
    let (_, cursor) = device.pull(100).await;
    let ops = [device.create_item(new_id(), "after")];
    let push = |field: &str, text: &str| {
        let body = json!({"replica_id": device.replica, "schema_version": 1, "ops": ops}).with(field, text);
        kit.keeper.posting(&kit.path("ops"), &body)
    };
    // Change 3 was lost, and its number given to another.
    app.execute(
        "update commits set mark = decode('ffffffffffffffffffffffffffffffff', 'hex') where last_seq = 3",
    )
    .await;
    for (field, text) in [("cursor", &cursor), ("ack", &ack)] {
        let problem = app.refuses(push(field, text), "epoch-changed").await;
        assert_eq!(problem["head_seq"], 3);
        system_tests::harness::redact::assert_id(problem.text("epoch"));
    }
    // A page tells the same to whoever only had the ack: what was acknowledged is not there.
    let _ = device.asking_with(None, &format!("ack={ack}")).send().await.problem("epoch-changed");
    // An ack is no cursor: whoever has it has not read what lies before it.
    app.refuses(push("cursor", &ack), "cursor-invalid").await;
    let _ = device.asking(Some(&ack), 10).send().await.problem("cursor-invalid");
    // A cursor shows as much as an ack, to whoever reads anew or has none.
    app.refuses(push("ack", &cursor), "epoch-changed").await;
    let _ = device.asking_with(None, &format!("ack={cursor}")).send().await.problem("epoch-changed");
    assert_eq!(statuses(&device.push(&ops).await), ["applied"]);
}

#[tokio::test]
async fn push_acknowledged_is_still_so_after_more_was_pushed_and_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let empty = device.pushing(&[]).send().await.expect(200);
    let mut acks = vec![empty.text("ack").to_owned()];
    for n in 0..3 {
        let ops = [device.create_item(new_id(), &format!("item {n}"))];
        acks.push(device.pushing(&ops).send().await.expect(200).text("ack").to_owned());
        acks.push(device.pushing(&ops).send().await.expect(200).text("ack").to_owned());
    }
    let _ = kit.owner.post(&kit.path("items"), &item("y")).await.expect(201);
    for ack in &acks {
        let page = device.asking_with(None, &format!("ack={ack}")).send().await.expect(200);
        assert_eq!(page["changes"].as_array().unwrap().len(), 4);
    }
    assert_eq!(acks.iter().map(|ack| seq_of(ack)).collect::<Vec<_>>(), [0, 1, 1, 2, 2, 3, 3]);
}

#[tokio::test]
async fn list_changes_refused_for_its_cursor_says_what_to_do_next() {
    let app = TestApp::start().await;
    let (kit, mut device, _) = with_deleted(&app).await;
    let (_, early) = device.pull(100).await;
    let more = [device.create_item(new_id(), "another")];
    device.push(&more).await;
    raise_floor(&app, &kit, 8).await;
    assert_eq!(device.page(Some(&early), 10).await.changes.len(), 1, "it knows of every deletion up to 8");
    raise_floor(&app, &kit, 9).await;
    let expired = device.asking(Some(&early), 10).send().await.problem("cursor-expired");
    assert!(expired.text("detail").contains("from its beginning") && expired.text("detail").contains("drop"));
    assert_eq!(device.page(None, 100).await.changes.len(), 5);
}

async fn raise_floor(app: &TestApp, kit: &Kitroom, floor: i64) {
    app.execute(&format!("update kitrooms set floor_seq = {floor} where id = '{}'", kit.id)).await;
}

#[tokio::test]
async fn list_changes_from_the_beginning_comes_to_an_end_though_the_floor_rises() {
    let app = TestApp::start().await;
    let (kit, mut device, ids) = with_deleted(&app).await;
    raise_floor(&app, &kit, 8).await;
    let (changes, _) = device.pull(1).await;
    assert_eq!(changes.iter().map(|change| change.seq).collect::<Vec<_>>(), [1, 2, 4, 6]);
    // It rises while one is on its way: as far as where that began, nothing is missed.
    raise_floor(&app, &kit, 0).await;
    let first = device.page(None, 1).await.next_cursor;
    raise_floor(&app, &kit, 8).await;
    assert_eq!(device.page(Some(&first), 100).await.changes.len(), 3);
    // Beyond that, a record that was read may be deleted and forgotten.
    let gone = [device.op("delete", "item", ids[0], 8, Value::Null)];
    let refused = device.push(&gone).await;
    assert_eq!(statuses(&refused), ["rejected"], "a weighing still names it");
    let gone = [device.op("delete", "item", ids[1], 8, Value::Null)];
    assert_eq!(statuses(&device.push(&gone).await), ["applied"]);
    let told = device.page(Some(&first), 100).await.changes;
    let told: Vec<(i64, bool)> = told.iter().map(|change| (change.seq, change.deleted)).collect();
    assert_eq!(told, [(4, false), (6, false), (9, true)], "the deletion is told");
    raise_floor(&app, &kit, 9).await;
    let _ = device.asking(Some(&first), 10).send().await.problem("cursor-expired");
    let (changes, _) = device.pull(1).await;
    assert_eq!(changes.iter().map(|change| change.seq).collect::<Vec<_>>(), [1, 4, 6]);
}
