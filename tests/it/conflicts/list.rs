use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::device::Device;

use super::{conflict_of, size_conflict, two_devices};

#[tokio::test]
async fn list_conflicts_by_state_and_record() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let size = size_conflict(&mut one, &mut two, shell).await;
    let op = one.op("patch", "item", shell, 1, json!({"notes": "wet"}));
    one.push(&[op]).await;
    let op = two.op("patch", "item", shell, 1, json!({"notes": "dry"}));
    let notes = conflict_of(&two.push(&[op]).await[0]);
    let path = kit.path(&format!("conflicts/{size}"));
    let tag = kit.keeper.get(&path).await.etag();
    let settling = kit.keeper.posting(&format!("{path}/resolution"), &json!({"keep": "kept"}));
    let _ = settling.header("If-Match", &tag).send().await.expect(200);
    let listed = async |query: &str| {
        let page = kit.viewer.get(&format!("{}{query}", kit.path("conflicts"))).await.expect(200);
        let items = page["items"].as_array().unwrap().clone();
        items.iter().map(With::id).collect::<Vec<_>>()
    };
    let mut both = [size, notes];
    both.sort_unstable();
    assert_eq!(listed("").await, both);
    assert_eq!(listed("?state=open").await, [notes]);
    assert_eq!(listed("?state=closed").await, [size]);
    assert_eq!(listed(&format!("?record_id={shell}&state=open")).await, [notes]);
    assert!(listed(&format!("?record_id={}", new_id())).await.is_empty());
    let wrong = kit.viewer.get(&format!("{}?state=new", kit.path("conflicts"))).await;
    assert_eq!(wrong.problem("validation-failed")["errors"][0]["pointer"], "?state");
}

#[tokio::test]
async fn push_of_conflicts_counts_towards_the_poll_of_their_kitroom_only() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    size_conflict(&mut one, &mut two, shell).await;
    let other = app.kitroom().await;
    app.join(other.id, &kit.viewer, "viewer").await;
    let overview = kit.viewer.get("/v1/sync").await.expect(200);
    for room in overview["kitrooms"].as_array().unwrap() {
        let expected = i64::from(room["kitroom_id"] == json!(kit.id));
        assert_eq!(room["open_conflicts"], expected, "{room}");
    }
    let outside = Device::new(&kit.outsider, kit.id);
    let _ = outside.asking(None, 10).send().await.problem("not-found");
    let _ = kit.outsider.get(&kit.path("conflicts")).await.problem("not-found");
}
