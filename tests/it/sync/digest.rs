use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{check_reading, new_id, scale, sitting, weighing_in};
use system_tests::harness::device::{Device, digest_of};

#[tokio::test]
async fn get_digest_is_the_sum_over_a_full_pull_after_every_kind_of_change() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    assert!(device.digest().await.kinds.is_empty());
    let (shell, gone, on, at, weighed) = (new_id(), new_id(), new_id(), new_id(), new_id());
    let pushes = [
        vec![device.create_item(shell, "blue shell"), device.create_item(gone, "lost glove")],
        vec![
            device.op("create", "scale", on, 0, scale()),
            device.op("create", "sitting", at, 0, sitting(on)),
        ],
        vec![device.op("append", "check_reading", new_id(), 0, check_reading(at, 201.0))],
        vec![device.op("append", "weighing", weighed, 0, weighing_in(at, shell, 412.5))],
        vec![device.op("patch", "item", shell, 0, json!({"attributes": {"pockets": 2, "tape": "blue"}}))],
        vec![device.op("void", "weighing", weighed, 0, json!({"reason": "the other shell"}))],
        vec![device.op("delete", "item", gone, 0, Value::Null)],
        vec![device.op("create", "item", new_id(), 0, json!({"name": ""}))],
        vec![device.op("restore", "item", gone, 0, Value::Null)],
        // Several changes of one record in one push move its hash once, to its last state.
        vec![
            device.op("patch", "item", gone, 0, json!({"size": "M"})),
            device.op("patch", "item", gone, 0, json!({"size": "L"})),
            device.op("delete", "item", gone, 0, Value::Null),
        ],
    ];
    for ops in pushes {
        device.push(&ops).await;
        let (changes, _) = device.pull(3).await;
        let digest = device.digest().await;
        assert_eq!(digest.kinds, digest_of(&changes), "after {ops:?}");
        // What is deleted is in neither.
        assert!(changes.iter().all(|change| !change.deleted));
        let head: i64 = app.scalar(&format!("select head_seq from kitrooms where id = '{}'", kit.id)).await;
        assert_eq!(digest.head_seq, head);
    }
    // The same kit through the resources: what counts is what is stored.
    let path = kit.path(&format!("items/{shell}"));
    let tag = kit.keeper.get(&path).await.etag();
    let _ = kit.keeper.patching(&path, &tag, &json!({"size": "S"})).send().await.expect(200);
    let (changes, _) = device.pull(100).await;
    assert_eq!(device.digest().await.kinds, digest_of(&changes));
}
