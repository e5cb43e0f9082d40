use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, pocket};

#[tokio::test]
async fn create_pocket_of_a_vest_stores_it_and_of_nothing_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let vest = item("vest").with("kind", "vest");
    let vest = kit.keeper.post(&kit.path("items"), &vest).await.expect(201).id();
    let made = kit.keeper.post(&kit.path("pockets"), &pocket(vest).with("side", "left")).await.expect(201);
    assert_eq!(
        (made.text("reach"), made["volume_ml"].as_i64(), made.text("side")),
        ("moving", Some(600), "left")
    );
    let nowhere = pocket(new_id());
    let problem = app.refuses(kit.keeper.posting(&kit.path("pockets"), &nowhere), "validation-failed").await;
    assert_eq!(problem["errors"][0]["pointer"], "/item_id");
    let slow = pocket(vest).with("reach", "tomorrow");
    let problem = app.refuses(kit.keeper.posting(&kit.path("pockets"), &slow), "validation-failed").await;
    assert_eq!(problem["errors"][0]["pointer"], "/reach");
}

#[tokio::test]
async fn create_pocket_keeps_its_vest_from_being_deleted() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let vest = kit.keeper.post(&kit.path("items"), &item("vest").with("kind", "vest")).await;
    let _ = kit.keeper.post(&kit.path("pockets"), &pocket(vest.expect(201).id())).await.expect(201);
    app.refuses(kit.keeper.deleting(vest.header("location"), &vest.etag()), "in-use").await;
}
