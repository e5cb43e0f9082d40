use serde_json::json;
use system_tests::harness::app::TestApp;

#[tokio::test]
async fn get_runner_before_anything_was_said_answers_nothing_known() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    assert_eq!(ada.get("/v1/me/runner").await.expect(200), json!({"version": 0}));
}

#[tokio::test]
async fn get_runner_shows_each_account_only_its_own() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let tag = kit.member.get("/v1/me/runner").await.etag();
    let said = json!({"body_mass_kg": 71.5});
    let _ = kit.member.patching("/v1/me/runner", &tag, &said).send().await.expect(200);
    for other in [&kit.owner, &kit.viewer] {
        assert_eq!(other.get("/v1/me/runner").await.expect(200), json!({"version": 0}));
        let seen = other.get(&kit.path("members")).await.text();
        assert!(!seen.contains("71.5"), "{seen}");
    }
    let export = kit.member.get("/v1/me/export").await.expect(200);
    assert_eq!(export["runner"], json!({"body_mass_kg": 71.5, "version": 1}));
}
