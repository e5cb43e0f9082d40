use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};

#[tokio::test]
async fn get_item_with_the_tag_that_was_read_answers_not_modified() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("items"), &item("x")).await;
    let path = made.header("location").to_owned();
    for known in [made.etag(), format!("\"other\", {}", made.etag())] {
        let same = kit.viewer.getting(&path).header("If-None-Match", &known).send().await;
        assert_eq!((same.status, same.body.len()), (304, 0));
        assert_eq!(same.etag(), made.etag());
    }
    let other = kit.viewer.getting(&path).header("If-None-Match", "\"other\"").send().await;
    assert_eq!(other.expect(200), made.expect(201));
}

#[tokio::test]
async fn get_item_after_a_weighing_has_another_tag_that_still_allows_a_change() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("items"), &item("x")).await;
    let path = made.header("location").to_owned();
    let _ =
        kit.member.post(&kit.path("weighings"), &weighing(made.expect(201).id(), 412.0)).await.expect(201);
    let weighed = kit.viewer.getting(&path).header("If-None-Match", &made.etag()).send().await;
    assert_eq!(weighed.expect(200)["mass_g"], 412);
    assert_ne!(weighed.etag(), made.etag());
    // The mass is derived: it is no change of the item that another change could collide with.
    let patch = serde_json::json!({"size": "M"});
    let changed = kit.keeper.patching(&path, &made.etag(), &patch).send().await.expect(200);
    assert_eq!((&changed["size"], &changed["mass_g"]), (&"M".into(), &412.into()));
}

#[tokio::test]
async fn get_item_that_is_not_there_is_not_found() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let other = app.kitroom().await;
    let foreign = other.keeper.post(&other.path("items"), &item("x")).await.expect(201).id();
    let scale =
        kit.member.post(&kit.path("scales"), &system_tests::harness::bodies::scale()).await.expect(201).id();
    for id in [
        new_id().to_string(),
        foreign.to_string(),
        scale.to_string(),
        "12".into(),
        "%00".into(),
        "%FF".into(),
    ] {
        let _ = kit.owner.get(&kit.path(&format!("items/{id}"))).await.problem("not-found");
    }
}
