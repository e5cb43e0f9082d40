use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, season};

#[tokio::test]
async fn create_season_that_ends_before_it_begins_is_refused_also_as_a_change() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let backwards = season("2026").with("to_on", "2025-12-31");
    let problem =
        app.refuses(kit.keeper.posting(&kit.path("seasons"), &backwards), "validation-failed").await;
    assert_eq!(problem["errors"][0]["pointer"], "/to_on");
    let one_day = season("one day").with("to_on", "2026-01-01");
    let made = kit.keeper.post(&kit.path("seasons"), &one_day).await;
    let path = made.header("location").to_owned();
    assert_eq!(made.expect(201).text("to_on"), "2026-01-01");
    let later = json!({"from_on": "2026-01-02"});
    app.refuses(kit.keeper.patching(&path, &made.etag(), &later), "validation-failed").await;
}
