use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};
use system_tests::harness::client::Method;

#[tokio::test]
async fn delete_item_hides_it_and_keeps_its_row_for_the_feed() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("items"), &item("x")).await;
    let path = made.header("location").to_owned();
    let gone = kit.keeper.deleting(&path, &made.etag()).send().await;
    assert_eq!((gone.status, gone.body.len()), (204, 0));
    let _ = kit.viewer.get(&path).await.problem("not-found");
    assert_eq!(app.count("items where deleted").await, 1);
    assert_eq!(app.count("sync_index where deleted and seq = 2").await, 1);
}

#[tokio::test]
async fn delete_item_again_is_not_found() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("items"), &item("x")).await;
    let path = made.header("location").to_owned();
    assert_eq!(kit.keeper.deleting(&path, "*").send().await.status, 204);
    for tag in ["*", &made.etag()] {
        app.refuses(kit.keeper.deleting(&path, tag), "not-found").await;
    }
    app.refuses(kit.keeper.deleting(&kit.path(&format!("items/{}", new_id())), &made.etag()), "not-found")
        .await;
}

#[tokio::test]
async fn delete_item_without_or_with_a_stale_tag_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("items"), &item("x")).await;
    let path = made.header("location").to_owned();
    app.refuses(kit.keeper.call(Method::DELETE, &path), "precondition-required").await;
    let _ =
        kit.keeper.patching(&path, &made.etag(), &serde_json::json!({"size": "M"})).send().await.expect(200);
    let problem = app.refuses(kit.keeper.deleting(&path, &made.etag()), "precondition-failed").await;
    assert_eq!(problem["current"]["size"], "M");
}

#[tokio::test]
async fn delete_item_that_was_weighed_is_refused_until_the_weighing_is_void() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("items"), &item("x")).await;
    let path = made.header("location").to_owned();
    let weighed = kit.member.post(&kit.path("weighings"), &weighing(made.expect(201).id(), 412.0)).await;
    app.refuses(kit.keeper.deleting(&path, &made.etag()), "in-use").await;
    let void = format!("{}/void", weighed.header("location"));
    let _ = kit.member.post(&void, &serde_json::json!({"reason": "the other shell"})).await.expect(200);
    assert_eq!(kit.keeper.deleting(&path, &made.etag()).send().await.status, 204);
}
