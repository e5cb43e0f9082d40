use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::client::Method;
use system_tests::harness::logins::PASSWORD;

const AT: &str = "/v1/me/runner";

#[tokio::test]
async fn update_runner_says_changes_and_takes_back() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let first = ada.get(AT).await;
    let said = json!({"body_mass_kg": 68.5, "walks_above_pct": 15});
    let second = ada.patching(AT, &first.etag(), &said).send().await;
    assert_eq!(second.expect(200), json!({"body_mass_kg": 68.5, "walks_above_pct": 15, "version": 1}));
    let less = json!({"walks_above_pct": Value::Null});
    let third = ada.patching(AT, &second.etag(), &less).send().await;
    assert_eq!(third.expect(200), json!({"body_mass_kg": 68.5, "version": 2}));
    assert_eq!(ada.get(AT).await.expect(200), third.expect(200));
}

#[tokio::test]
async fn update_runner_under_a_stale_tag_or_none_is_refused() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let tag = ada.get(AT).await.etag();
    let said = json!({"body_mass_kg": 68.5});
    let _ = ada.patching(AT, &tag, &said).send().await.expect(200);
    let problem = app.refuses(ada.patching(AT, &tag, &said), "precondition-failed").await;
    assert_eq!(problem["current"], json!({"body_mass_kg": 68.5, "version": 1}));
    app.refuses(ada.call(Method::PATCH, AT).merge_patch(&said), "precondition-required").await;
}

#[tokio::test]
async fn update_runner_with_what_nobody_weighs_or_climbs_names_the_field() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let tag = ada.get(AT).await.etag();
    for (said, pointer) in [
        (json!({"body_mass_kg": 6}), "/body_mass_kg"),
        (json!({"body_mass_kg": 68.55}), "/body_mass_kg"),
        (json!({"walks_above_pct": 46}), "/walks_above_pct"),
        (json!({"walks_above_pct": -1}), "/walks_above_pct"),
        (json!({"shoe_size": 43}), "/shoe_size"),
    ] {
        let problem = app.refuses(ada.patching(AT, &tag, &said), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer);
    }
}

#[tokio::test]
async fn update_runner_is_forgotten_with_the_account() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let tag = ada.get(AT).await.etag();
    let _ = ada.patching(AT, &tag, &json!({"body_mass_kg": 68.5})).send().await.expect(200);
    assert_eq!(app.count("runners").await, 1);
    let session = app.log_in(&ada).await;
    let gone = session.call(Method::DELETE, "/v1/me").json(&json!({"password": PASSWORD})).send().await;
    assert_eq!(gone.status, 204);
    assert_eq!(app.count("runners").await, 0);
}
