use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, loadout, loadout_entry};
use system_tests::harness::client::Method;

#[tokio::test]
async fn update_and_delete_loadout_entry_under_another_loadout_is_not_found() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let item = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let one = kit.member.post(&kit.path("loadouts"), &loadout("one")).await.expect(201).id();
    let two = kit.member.post(&kit.path("loadouts"), &loadout("two")).await.expect(201).id();
    let made = kit.member.post(&kit.path(&format!("loadouts/{one}/entries")), &loadout_entry(item)).await;
    let id = made.expect(201).id();
    let wrong = kit.path(&format!("loadouts/{two}/entries/{id}"));
    let _ = kit.viewer.get(&wrong).await.problem("not-found");
    app.refuses(kit.member.patching(&wrong, &made.etag(), &json!({"quantity": 2})), "not-found").await;
    app.refuses(kit.member.deleting(&wrong, &made.etag()), "not-found").await;

    let right = made.header("location").to_owned();
    let moved = json!({"loadout_id": two});
    app.refuses(kit.member.patching(&right, &made.etag(), &moved), "validation-failed").await;
    let changed = kit.member.patching(&right, &made.etag(), &json!({"quantity": 2})).send().await;
    assert_eq!(changed.expect(200)["quantity"], 2);
    let gone = kit.member.call(Method::DELETE, &right).header("If-Match", &changed.etag()).send().await;
    assert_eq!(gone.status, 204);
    let _ = kit.viewer.get(&right).await.problem("not-found");
}
