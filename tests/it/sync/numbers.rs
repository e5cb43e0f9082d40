use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::device::{Device, refusal, results_of, statuses};

#[tokio::test]
async fn push_again_answers_byte_for_byte_the_same_and_stores_nothing_more() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let shell = new_id();
    let ops = [
        device.create_item(shell, "blue shell"),
        device.op("create", "item", new_id(), 0, json!({"name": ""})),
        device.op("patch", "item", shell, 0, json!({"size": "M"})),
        device.op("patch", "item", shell, 0, json!({"size": "M"})),
    ];
    let first = device.pushing(&ops).send().await;
    assert_eq!(statuses(&results_of(&first, &ops)), ["applied", "rejected", "applied", "noop"]);
    let rows = "select coalesce(string_agg(t::text, '|' order by t::text), '') from ";
    let (mut before, mut after) = (Vec::new(), Vec::new());
    for table in ["items t", "applied_ops t", "sync_index t", "commits t", "kind_digests t"] {
        before.push(app.scalar::<String>(&format!("{rows}{table}")).await);
    }
    let again = device.pushing(&ops).send().await;
    for table in ["items t", "applied_ops t", "sync_index t", "commits t", "kind_digests t"] {
        after.push(app.scalar::<String>(&format!("{rows}{table}")).await);
    }
    assert_eq!(before, after);
    assert_eq!(again.text().matches(",\"replayed\":true").count(), 4);
    assert_eq!(again.text().replace(",\"replayed\":true", ""), first.text());
    // Any part of it, in any later push.
    let more = [ops[2].clone(), device.create_item(new_id(), "red shell")];
    let results = device.push(&more).await;
    assert_eq!((&results[0]["replayed"], &results[1]["replayed"]), (&true.into(), &serde_json::Value::Null));
}

#[tokio::test]
async fn push_an_op_id_with_other_content_is_rejected_and_the_first_stands() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let op = device.create_item(new_id(), "blue shell");
    device.push(std::slice::from_ref(&op)).await;
    let mut other = op.clone();
    other["value"]["name"] = "red shell".into();
    let results = device.push(&[other]).await;
    assert_eq!(refusal(&results[0]), "op-id-reused");
    let ops = [op, device.create_item(new_id(), "green shell")];
    assert_eq!(statuses(&device.push(&ops).await), ["applied", "applied"]);
    let names: String = app.scalar("select string_agg(name, ',' order by version) from items").await;
    assert_eq!(names, "blue shell,green shell");
}

#[tokio::test]
async fn push_an_op_again_that_rests_on_an_earlier_change_answers_as_it_did() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let id = new_id();
    // What a replica knew is no part of what was asked for: after a restored service it knows less.
    let ops = [
        device.op("create", "item", id, 5, item("blue shell")).with("op_id", id.to_string()),
        device.op("patch", "item", id, 5, json!({"size": "M"})),
    ];
    let first = device.push(&ops).await;
    assert_eq!(statuses(&first), ["applied"; 2]);
    let later = ops.clone().map(|op| op.with("base_seq", 0));
    let again = device.push(&later).await;
    assert!(again.iter().all(|result| result["replayed"] == true), "{again:?}");
    assert_eq!(again.into_iter().map(|result| result.without("replayed")).collect::<Vec<Value>>(), first);
    // The same through the resource, which knows no base at all.
    let body = item("blue shell").with("id", id.to_string());
    let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(200);
    let other = [later[1].clone().with("patch", json!({"size": "L"}))];
    assert_eq!(refusal(&device.push(&other).await[0]), "op-id-reused");
    assert_eq!((app.count("items").await, app.count("applied_ops").await), (1, 2));
}

#[tokio::test]
async fn push_an_op_id_twice_in_one_push_takes_the_first() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let first = device.create_item(new_id(), "blue shell");
    let second = device.create_item(new_id(), "red shell").with("op_id", first["op_id"].clone());
    let results = device.push(&[first, second]).await;
    assert_eq!(statuses(&results), ["applied", "rejected"]);
    assert_eq!(refusal(&results[1]), "op-id-reused");
    assert_eq!(app.count("items").await, 1);
}

#[tokio::test]
async fn push_with_a_gap_is_refused_whole_and_says_where_it_stands() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops: Vec<_> = (0..4).map(|n| device.create_item(new_id(), &format!("item {n}"))).collect();
    let problem = app.refuses(device.pushing(&ops[1..2]), "op-gap").await;
    assert_eq!(problem["last_op_no"], 0);
    device.push(&ops[..2]).await;
    let problem = app.refuses(device.pushing(&ops[3..]), "op-gap").await;
    assert_eq!(problem["last_op_no"], 2);
    // A gap within a push, too: the part before it is not taken by itself.
    let problem =
        app.refuses(device.pushing(&[ops[2].clone(), ops[3].clone().with("op_no", 5)]), "op-gap").await;
    assert_eq!(problem["last_op_no"], 2);
    assert_eq!(statuses(&device.push(&ops[2..]).await), ["applied", "applied"]);
}

#[tokio::test]
async fn push_a_number_that_another_op_used_is_a_fork() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    // A copy of the device's folder: both go on from the same number.
    let mut copy = device.clone();
    let op = device.create_item(new_id(), "blue shell");
    device.push(&[op]).await;
    let op = copy.create_item(new_id(), "red shell");
    let problem = app.refuses(copy.pushing(std::slice::from_ref(&op)), "replica-forked").await;
    assert_eq!(problem["last_op_no"], 1);
    // With a new id and new numbers, but the same op id, its work goes on.
    copy.replica = new_id();
    assert_eq!(statuses(&copy.push(&[op]).await), ["applied"]);
    assert_eq!(app.count("items").await, 2);
}

#[tokio::test]
async fn push_from_a_replica_of_another_account_is_a_fork() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let op = device.create_item(new_id(), "blue shell");
    device.push(&[op]).await;
    let mut thief = Device::new(&kit.owner, kit.id);
    thief.replica = device.replica;
    thief.last_op_no = 1;
    let op = thief.create_item(new_id(), "red shell");
    app.refuses(thief.pushing(&[op]), "replica-forked").await;
    // The same replica in another kitroom counts anew.
    let other = app.kitroom().await;
    let mut elsewhere = Device::new(&other.keeper, other.id);
    elsewhere.replica = device.replica;
    let op = elsewhere.create_item(new_id(), "green shell");
    assert_eq!(statuses(&elsewhere.push(&[op]).await), ["applied"]);
}
