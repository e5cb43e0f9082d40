use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id, race, rule_sheet};

#[tokio::test]
async fn create_race_that_cannot_be_run_names_the_field_and_stores_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let leg = |field: &str, value: f64| {
        let mut body = race("long one");
        body["legs"][1][field] = value.into();
        body
    };
    for (body, pointer) in [
        (race("long one").with("expected_h", 0), "/expected_h"),
        (race("long one").with("expected_h", -3), "/expected_h"),
        (leg("distance_km", 0.0), "/legs/1/distance_km"),
        (leg("distance_km", -1.0), "/legs"),
        (leg("expected_h", 0.0), "/legs/1/expected_h"),
        (race("long one").with("time_zone", "Middle/Earth"), "/time_zone"),
        (race("long one").with("starts_at", "tomorrow"), "/starts_at"),
        (race("long one").with("rule_sheet_id", new_id().to_string()), "/rule_sheet_id"),
        (race("long one").with("active_sets", json!(["always"])), "/active_sets/0"),
    ] {
        let problem = app.refuses(kit.keeper.posting(&kit.path("races"), &body), "validation-failed").await;
        assert!(problem["errors"][0].text("pointer").starts_with(pointer), "{pointer}: {problem}");
    }
}

#[tokio::test]
async fn create_race_keeps_its_rule_sheet_from_being_deleted() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let sheet = kit.keeper.post(&kit.path("rule-sheets"), &rule_sheet("kit")).await;
    let body = race("long one").with("rule_sheet_id", sheet.expect(201).text("id"));
    let _ = kit.keeper.post(&kit.path("races"), &body).await.expect(201);
    app.refuses(kit.keeper.deleting(sheet.header("location"), &sheet.etag()), "in-use").await;
}
