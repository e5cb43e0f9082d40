//! Each wrong thing that a device can send has a problem of its own, and harms nothing that stands beside it.

use std::collections::BTreeSet;

use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};
use system_tests::harness::device::{Device, closed, opened, refusal, statuses};

/// An item whose canonical form has so many bytes.
fn sized(bytes: usize) -> Value {
    let mut body = item("x").with("attributes", json!({}));
    for n in 10..74 {
        body["attributes"][format!("a{n}")] = "".into();
    }
    let mut missing = bytes - body.to_string().len();
    for n in 10..74 {
        let (wide, narrow) = if missing >= 1600 { (400, 0) } else { (missing / 4, missing % 4) };
        let text = "\u{1F3D4}".repeat(wide) + &"x".repeat(narrow);
        missing -= text.len();
        body["attributes"][format!("a{n}")] = text.into();
    }
    assert_eq!(body.to_string().len(), bytes);
    body
}

#[tokio::test]
async fn push_bad_ops_among_good_ones_are_each_refused_for_their_own_reason_and_the_others_are_taken() {
    let app = TestApp::start().await;
    let (kit, other) = (app.kitroom().await, app.kitroom().await);
    let foreign = other.keeper.post(&other.path("items"), &item("x")).await.expect(201).id();
    let mut device = Device::new(&kit.keeper, kit.id);
    let shell = new_id();
    let first = device.create_item(shell, "blue shell");
    device.push(std::slice::from_ref(&first)).await;

    let good = |device: &mut Device| device.op("append", "weighing", new_id(), 0, weighing(shell, 412.0));
    let reused =
        |device: &mut Device| device.create_item(new_id(), "another").with("op_id", first["op_id"].clone());
    let ops = [
        good(&mut device),
        reused(&mut device),
        good(&mut device),
        device.op("patch", "item", foreign, 0, json!({"size": "M"})),
        device.op("append", "weighing", new_id(), 0, weighing(foreign, 412.0)),
        device.op("create", "hovercraft", new_id(), 0, json!({"name": "x"})),
        device.op("create", "item", new_id(), 0, sized(64 * 1024 + 1)),
        good(&mut device),
    ];
    let results = device.push(&ops).await;
    let wanted =
        ["applied", "rejected", "applied", "rejected", "rejected", "rejected", "rejected", "applied"];
    assert_eq!(statuses(&results), wanted);
    let reasons: Vec<&str> = [1, 3, 4, 5, 6].iter().map(|at| refusal(&results[*at])).collect();
    let wanted = ["op-id-reused", "not-found", "validation-failed", "validation-failed", "payload-too-large"];
    assert_eq!(reasons, wanted);
    assert_eq!(results[4]["problem"]["errors"][0]["pointer"], "/item_id");
    assert_eq!(results[5]["problem"]["errors"][0]["pointer"], "/kind");
    assert_eq!(app.count("weighings").await, 3);
    let there: String = app.scalar(&format!("select body::text from items where id = '{foreign}'")).await;
    assert!(!there.contains("size"), "another kitroom's item was touched");
    // Nothing of what was refused stands in the way of what comes next.
    let ops = [good(&mut device)];
    assert_eq!(statuses(&device.push(&ops).await), ["applied"]);
}

#[tokio::test]
async fn push_and_pull_refused_whole_have_a_problem_each_and_leave_nothing_behind() {
    let app = TestApp::start().await;
    let (kit, other) = (app.kitroom().await, app.kitroom().await);
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops: Vec<Value> = (0..502).map(|n| device.create_item(new_id(), &format!("item {n}"))).collect();
    device.push(&ops[..1]).await;
    let (_, cursor) = device.pull(10).await;
    let mut codes = BTreeSet::new();
    let mut refused = async |call, code: &'static str| {
        app.refuses(call, code).await;
        codes.insert(code);
    };
    refused(device.pushing(&ops[1..502]), "payload-too-large").await;
    refused(device.pushing(&ops[2..4]), "op-gap").await;
    let mut copy = device.clone();
    copy.last_op_no = 0;
    let forked = [copy.create_item(new_id(), "from a copy")];
    refused(copy.pushing(&forked), "replica-forked").await;
    let body = json!({"replica_id": device.replica, "schema_version": 9, "ops": []});
    refused(kit.keeper.posting(&kit.path("ops"), &body), "schema-unsupported").await;
    let foreign = Device::new(&other.keeper, other.id).page(None, 1).await.next_cursor;
    let made_up = closed(&opened(&cursor).with("colour", "blue"));
    for cursor in [foreign.as_str(), made_up.as_str(), "AAAA", "%20"] {
        refused(device.asking(Some(cursor), 10), "cursor-invalid").await;
    }
    // Well made, but of no history of this server's: its kitroom is this one, its number and its mark are not.
    for (field, value) in [("s", json!(9)), ("e", json!(new_id())), ("m", json!("AAAAAAAAAAAAAAAAAAAAAA"))] {
        refused(device.asking(Some(&closed(&opened(&cursor).with(field, value))), 10), "epoch-changed").await;
    }
    for query in ["limit=0", "limit=2001", "limit=x", "wait_s=-1", "wait_s=56", "colour=blue"] {
        refused(device.asking_with(None, query), "validation-failed").await;
    }
    app.execute(&format!("update kitrooms set floor_seq = 2, head_seq = 2 where id = '{}'", kit.id)).await;
    refused(device.asking(Some(&cursor), 10), "cursor-expired").await;
    assert_eq!(codes.len(), 8, "{codes:?}");
    app.execute(&format!("update kitrooms set floor_seq = 0, head_seq = 1 where id = '{}'", kit.id)).await;
    assert_eq!(statuses(&device.push(&ops[1..4]).await), vec!["applied"; 3]);
}
