use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::item;
use system_tests::harness::client::Method;

#[tokio::test]
async fn delete_kitroom_closes_it_to_everybody_and_tells_their_devices() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("items"), &item("x")).await;
    let path = format!("/v1/kitrooms/{}", kit.id);
    let tag = kit.owner.get(&path).await.etag();
    for actor in [&kit.keeper, &kit.member, &kit.viewer] {
        app.refuses(actor.deleting(&path, &tag), "forbidden").await;
    }
    let owner = app.log_in(&kit.owner).await;
    app.refuses(owner.call(Method::DELETE, &path), "precondition-required").await;
    // A lost device cannot do it: it takes a recent login.
    app.refuses(kit.owner.deleting(&path, &tag), "reauthentication-required").await;
    app.refuses(owner.deleting(&path, "\"x\""), "precondition-failed").await;
    assert_eq!(owner.deleting(&path, &tag).send().await.status, 204);
    for actor in [&kit.owner, &kit.keeper, &kit.viewer] {
        let _ = actor.get(&path).await.problem("not-found");
        let _ = actor.get(made.header("location")).await.problem("not-found");
        let sync = actor.get("/v1/sync").await.expect(200);
        assert_eq!(sync["removed"][0]["kitroom_id"], kit.id.to_string());
    }
    app.refuses(kit.keeper.posting(&kit.path("items"), &item("y")), "not-found").await;
    app.refuses(owner.deleting(&path, "*"), "not-found").await;
}
