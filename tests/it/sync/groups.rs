use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{item, new_id, weighing};
use system_tests::harness::device::{Device, refusal, statuses};

#[tokio::test]
async fn push_group_with_one_bad_op_is_refused_whole_and_the_others_are_taken() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let (shell, fact) = (new_id(), new_id());
    let ops = [
        device.op_in("a", "create", "item", new_id(), item("before")),
        device.op_in("b", "create", "item", shell, item("in the group")),
        device.op_in("b", "append", "weighing", fact, weighing(shell, -5.0)),
        device.op_in("b", "append", "weighing", new_id(), weighing(shell, 412.0)),
        device.op_in("c", "create", "item", new_id(), item("after")),
        // Rests on what the refused group would have made.
        device.op_in("d", "append", "weighing", new_id(), weighing(shell, 412.0)),
    ];
    let results = device.push(&ops).await;
    assert_eq!(statuses(&results), ["applied", "rejected", "rejected", "rejected", "applied", "rejected"]);
    assert_eq!(refusal(&results[2]), "validation-failed");
    for at in [1, 3] {
        assert_eq!(refusal(&results[at]), "group-member-rejected");
        assert_eq!(results[at]["problem"]["op_id"], results[2]["op_id"]);
    }
    assert_eq!((results[0]["seq"].as_i64(), results[4]["seq"].as_i64()), (Some(1), Some(2)));
    let names: String = app.scalar("select string_agg(name, ',' order by version) from items").await;
    assert_eq!(names, "before,after");
    assert_eq!(app.count("weighings").await, 0);
    assert_eq!(app.count("item_masses").await, 2);
    // Refused is final and takes up the numbers: the repair is a new op.
    let ops = [device.op_in("e", "create", "item", shell, item("again"))];
    assert_eq!(statuses(&device.push(&ops).await), ["applied"]);
}

#[tokio::test]
async fn push_group_refused_after_it_changed_records_leaves_them_as_they_were() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let shell = new_id();
    let op = device.create_item(shell, "blue shell");
    device.push(&[op]).await;
    let before = app.scalar::<String>("select body::text || units::text from items").await;
    let digest = device.digest().await;
    let ops = [
        device.op_in("a", "patch", "item", shell, json!({"size": "L"})),
        device.op_in("a", "delete", "item", shell, serde_json::Value::Null),
        device.op_in("a", "patch", "item", shell, json!({"size": "XL"})),
    ];
    assert_eq!(statuses(&device.push(&ops).await), vec!["rejected"; 3]);
    assert_eq!(app.scalar::<String>("select body::text || units::text from items").await, before);
    assert_eq!(device.digest().await, digest);
}

#[tokio::test]
async fn push_group_that_is_not_in_one_piece_is_refused_before_anything_is_stored() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops = [
        device.op_in("a", "create", "item", new_id(), item("one")),
        device.op_in("b", "create", "item", new_id(), item("two")),
        device.op_in("a", "create", "item", new_id(), item("three")),
    ];
    let problem = app.refuses(device.pushing(&ops), "validation-failed").await;
    assert_eq!(problem["errors"][0]["pointer"], "/ops/2/group");
}
