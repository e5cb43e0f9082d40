use std::time::Duration;

use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};
use system_tests::harness::device::{Device, assert_page};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn list_changes_of_an_empty_kitroom_has_a_cursor_to_go_on_from() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let page = kit.viewer.get(&kit.path("changes")).await.expect(200);
    insta::assert_json_snapshot!(redacted(&page), @r#"
    {
      "changes": [],
      "epoch": "[id]",
      "has_more": false,
      "head_seq": 0,
      "next_cursor": "[cursor]"
    }
    "#);
    let op = device.create_item(new_id(), "blue shell");
    device.push(&[op]).await;
    let next = device.page(Some(page.text("next_cursor")), 100).await;
    assert_eq!(next.changes.len(), 1);
}

#[tokio::test]
async fn list_changes_shows_stored_fields_only_each_record_once_at_its_last_change() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let (shell, gone) = (new_id(), new_id());
    let ops = [device.create_item(shell, "blue shell"), device.create_item(gone, "lost glove")];
    device.push(&ops).await;
    let start = device.page(None, 100).await.next_cursor;
    let ops = [
        device.op("append", "weighing", new_id(), 0, weighing(shell, 412.0)),
        device.op("patch", "item", shell, 0, json!({"size": "M"})),
        device.op("delete", "item", gone, 0, Value::Null),
    ];
    device.push(&ops).await;
    let page = kit.viewer.get(&kit.path(&format!("changes?cursor={start}"))).await.expect(200);
    insta::assert_json_snapshot!(redacted(&page["changes"]), @r#"
    [
      {
        "deleted": false,
        "id": "[id]",
        "kind": "weighing",
        "record": {
          "created_by": "[id]",
          "id": "[id]",
          "item_id": "[id]",
          "observed_at": "2026-03-01T05:10:00.000Z",
          "reading_g": 412,
          "recorded_at": "[time]",
          "recorded_by": "[id]",
          "resolution_g": 1,
          "version": 3
        },
        "seq": 3
      },
      {
        "deleted": false,
        "id": "[id]",
        "kind": "item",
        "record": {
          "created_by": "[id]",
          "id": "[id]",
          "kind": "shell_jacket",
          "name": "blue shell",
          "recorded_at": "[time]",
          "size": "M",
          "version": 4
        },
        "seq": 4
      },
      {
        "deleted": true,
        "id": "[id]",
        "kind": "item",
        "seq": 5
      }
    ]
    "#);
}

#[tokio::test]
async fn list_changes_page_by_page_gives_what_one_page_gives() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops: Vec<Value> = (0..23).map(|n| device.create_item(new_id(), &format!("item {n}"))).collect();
    device.push(&ops).await;
    let (whole, _) = device.pull(2000).await;
    assert_eq!(whole.len(), 23);
    for limit in [1, 5, 22, 23, 24] {
        assert_eq!(device.pull(limit).await.0, whole, "pages of {limit}");
    }
}

#[tokio::test]
async fn list_changes_a_change_between_two_pages_is_seen_by_the_next() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ids: Vec<_> = (0..6).map(|_| new_id()).collect();
    let ops: Vec<Value> = ids.iter().map(|id| device.create_item(*id, "x")).collect();
    device.push(&ops).await;
    let first = device.page(None, 3).await;
    // One that was delivered and one that was not both move to the end.
    let ops = [
        device.op("patch", "item", ids[0], 6, json!({"size": "M"})),
        device.op("patch", "item", ids[4], 6, json!({"size": "M"})),
    ];
    device.push(&ops).await;
    let second = device.page(Some(&first.next_cursor), 100).await;
    assert_page(&second, 3, 100);
    assert_eq!(second.changes.iter().map(|change| change.seq).collect::<Vec<_>>(), [4, 6, 7, 8]);
    let same = device.page(Some(&second.next_cursor), 100).await;
    assert!(same.changes.is_empty() && !same.has_more);
}

#[tokio::test]
async fn list_changes_bad_cursors_and_limits_are_refused() {
    let app = TestApp::start().await;
    let (kit, other) = (app.kitroom().await, app.kitroom().await);
    let mut device = Device::new(&kit.keeper, kit.id);
    let op = device.create_item(new_id(), "x");
    device.push(&[op]).await;
    let foreign = Device::new(&other.keeper, other.id).page(None, 1).await.next_cursor;
    let list = kit.viewer.get(&format!("{}?limit=1", kit.path("items"))).await.expect(200);
    assert!(list["next_cursor"].is_null());
    for cursor in [foreign.as_str(), "", "abc", "e30", "bnVsbA"] {
        let _ = device.asking(Some(cursor), 1).send().await.problem("cursor-invalid");
    }
    for limit in [0, -1, 2001] {
        let problem = device.asking(None, limit).send().await.problem("validation-failed");
        assert_eq!(problem["errors"][0]["pointer"], "?limit");
    }
}

#[tokio::test]
async fn list_changes_never_passes_a_change_that_is_still_to_come() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let op = device.create_item(new_id(), "before");
    device.push(&[op]).await;
    let start = device.page(None, 100).await;

    // Another process has the kitroom's lock and has written a change that is not committed.
    let open = app.connection().await;
    let held = new_id();
    open.batch_execute(&format!(
        "begin; update kitrooms set head_seq = head_seq + 1 where id = '{0}'; \
         insert into items (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body) \
         values ('{0}', '{held}', 2, '{{}}', '{1}', now(), false, false, '{{\"name\": \"held\", \"kind\": \"other\"}}'); \
         insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash) \
         values ('{0}', 'item', '{held}', 2, false, 0); \
         insert into commits (kitroom_id, last_seq, mark, committed_at) \
         values ('{0}', 2, decode('000102030405060708090a0b0c0d0e0f', 'hex'), now())",
        kit.id, kit.keeper.account
    ))
    .await
    .unwrap();
    // A second writer comes later: it has to wait, or its number would be delivered first.
    let op = device.create_item(new_id(), "after");
    let waiting = tokio::spawn(device.pushing(&[op]).send());
    for _ in 0..10 {
        // The reader waits for nobody, and sees neither.
        let page =
            tokio::time::timeout(Duration::from_secs(5), device.page(Some(&start.next_cursor), 100)).await;
        let page = page.expect("a reader does not wait for a writer");
        assert!(page.changes.is_empty() && page.head_seq == 1, "{page:?}");
        tokio::time::sleep(Duration::from_millis(20)).await;
    }
    assert!(!waiting.is_finished(), "the second writer did not wait for the first");
    open.batch_execute("commit").await.unwrap();
    let _ = waiting.await.unwrap().expect(200);
    let page = device.page(Some(&start.next_cursor), 100).await;
    let seen: Vec<_> = page.changes.iter().map(|c| c.record.as_ref().unwrap()["name"].clone()).collect();
    assert_eq!(seen, ["held", "after"]);
}

#[tokio::test]
async fn list_changes_a_page_is_one_moment_while_others_write() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let shell = new_id();
    let op = device.create_item(shell, "0");
    device.push(&[op]).await;
    let mut writer = device.clone();
    let writing = tokio::spawn(async move {
        for n in 1..60 {
            let op = writer.op("patch", "item", shell, 0, json!({"name": n.to_string()}));
            writer.push(&[op]).await;
        }
    });
    // Its number, its content and the head belong together in every page.
    while !writing.is_finished() {
        let page = device.page(None, 100).await;
        assert_page(&page, 0, 100);
        let [change] = &page.changes[..] else { panic!("{page:?}") };
        let record = change.record.as_ref().unwrap();
        assert_eq!(record["version"], change.seq);
        assert_eq!(record["name"], (change.seq - 1).to_string());
        assert_eq!(page.head_seq, change.seq);
    }
    writing.await.unwrap();
}

#[tokio::test]
async fn list_changes_for_a_former_member_is_not_found_even_with_a_good_cursor() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = item("x").with("id", new_id().to_string());
    let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    let cursor = Device::new(&kit.member, kit.id).page(None, 1).await.next_cursor;
    app.leave(kit.id, &kit.member).await;
    for actor in [&kit.member, &kit.removed, &kit.outsider] {
        let _ = Device::new(actor, kit.id).asking(Some(&cursor), 1).send().await.problem("not-found");
    }
}
