//! A server that was restored from a backup, or whose folder was copied back: a device that had seen more must notice.

use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::new_id;
use system_tests::harness::device::Device;

async fn three_items(app: &TestApp) -> (system_tests::harness::actors::Kitroom, Device) {
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    for n in 0..3 {
        let op = device.create_item(new_id(), &format!("item {n}"));
        device.push(&[op]).await;
    }
    (kit, device)
}

#[tokio::test]
async fn list_changes_after_other_commits_took_the_same_numbers_says_the_epoch_changed() {
    let app = TestApp::start().await;
    let (kit, device) = three_items(&app).await;
    let (_, cursor) = device.pull(100).await;
    // Change 3 was lost and its number given to another: the head is the same, the commit is not.
    app.execute(&format!("\
        update commits set mark = decode('ffffffffffffffffffffffffffffffff', 'hex') where kitroom_id = '{}' and last_seq = 3", kit.id)).await;
    let _ = device.asking(Some(&cursor), 10).send().await.problem("epoch-changed");
    // Who begins anew and says what they hold is told as well, whether by an ack or by that cursor; who says nothing goes on.
    let resting_on = format!("ack={cursor}");
    let _ = device.asking_with(None, &resting_on).send().await.problem("epoch-changed");
    assert_eq!(device.page(None, 10).await.changes.len(), 3);
}

#[tokio::test]
async fn list_changes_after_a_restore_between_two_pages_says_the_epoch_changed() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let [first, second] = [new_id(), new_id()];
    for (id, name) in [(first, "first"), (second, "second")] {
        let op = device.create_item(id, name);
        device.push(&[op]).await;
    }
    let (_, at_two) = device.pull(100).await;
    let third = [device.create_item(new_id(), "third")];
    device.push(&third).await;
    // The first item moves to change 4 and is in no page up to 2. Had the service lost that, it would stand at 1 again,
    // where this reader has been already.
    let patch = [device.op("patch", "item", first, 3, json!({"size": "M"}))];
    device.push(&patch).await;
    let page = device.page(None, 1).await;
    assert_eq!((page.changes[0].seq, page.has_more), (2, true));
    app.execute(&format!(
        "update commits set mark = decode('ffffffffffffffffffffffffffffffff', 'hex') where kitroom_id = '{}' and last_seq = 4", kit.id)).await;
    let _ = device.asking(Some(&page.next_cursor), 10).send().await.problem("epoch-changed");
    // Who had seen only what both histories have goes on.
    assert_eq!(device.page(Some(&at_two), 10).await.changes.len(), 2);
}

#[tokio::test]
async fn list_changes_from_a_cursor_beyond_the_head_says_the_epoch_changed() {
    let app = TestApp::start().await;
    let (kit, mut device) = three_items(&app).await;
    let (_, cursor) = device.pull(100).await;
    app.execute(&format!(
        "delete from sync_index where kitroom_id = '{0}' and seq = 3; delete from commits where kitroom_id = '{0}' and last_seq = 3; \
         update kitrooms set head_seq = 2 where id = '{0}'",
        kit.id
    ))
    .await;
    let _ = device.asking(Some(&cursor), 10).send().await.problem("epoch-changed");
    // Also when the server has long passed it again.
    let mut other = Device::new(&kit.owner, kit.id);
    for n in 0..3 {
        let op = other.create_item(new_id(), &format!("new item {n}"));
        other.push(&[op]).await;
    }
    let _ = device.asking(Some(&cursor), 10).send().await.problem("epoch-changed");
    // The device's own numbers tell as well: the server has not heard of op 4.
    app.execute(&format!("update replicas set last_op_no = 2 where replica_id = '{}'", device.replica)).await;
    let op = device.create_item(new_id(), "after");
    app.refuses(device.pushing(&[op]), "op-gap").await;
}

#[tokio::test]
async fn list_changes_of_another_epoch_or_below_the_floor_is_told_apart() {
    let app = TestApp::start().await;
    let (kit, mut device) = three_items(&app).await;
    let (_, early) = device.pull(100).await;
    let fourth = [device.create_item(new_id(), "item 4")];
    device.push(&fourth).await;
    app.execute(&format!("update kitrooms set floor_seq = 4 where id = '{}'", kit.id)).await;
    let _ = device.asking(Some(&early), 10).send().await.problem("cursor-expired");
    app.execute(&format!("update kitrooms set epoch = '{}' where id = '{}'", new_id(), kit.id)).await;
    let _ = device.asking(Some(&early), 10).send().await.problem("epoch-changed");
}

#[tokio::test]
async fn list_changes_below_the_floor_of_another_history_says_the_epoch_changed() {
    let app = TestApp::start().await;
    let (kit, mut device) = three_items(&app).await;
    let (_, early) = device.pull(100).await;
    let fourth = [device.create_item(new_id(), "item 4")];
    device.push(&fourth).await;
    // Whoever is told that a cursor has expired drops what does not come again: that must not hide a loss.
    app.execute(&format!(
        "update commits set mark = decode('ffffffffffffffffffffffffffffffff', 'hex') where kitroom_id = '{0}' and last_seq = 3; \
         update kitrooms set floor_seq = 4 where id = '{0}'",
        kit.id
    ))
    .await;
    let _ = device.asking(Some(&early), 10).send().await.problem("epoch-changed");
}
