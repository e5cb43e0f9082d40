use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};

#[tokio::test]
async fn delete_device_token_holds_at_once() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let made =
        app.log_in(&ada).await.post("/v1/device-tokens", &json!({"name": "lost phone"})).await.expect(201);
    let lost = app.http.with_token(made.text("token"));
    // Used a moment ago, on both workers, so that it is remembered.
    for _ in 0..8 {
        let _ = lost.get("/v1/me").await.expect(200);
    }
    let path = format!("/v1/device-tokens/{}", made.text("id"));
    assert_eq!(ada.call(reqwest::Method::DELETE, &path).send().await.status, 204);
    for _ in 0..8 {
        let _ = lost.get("/v1/me").await.problem("not-authenticated");
    }
    let _ = ada.call(reqwest::Method::DELETE, &path).send().await.problem("not-found");
    assert_eq!(ada.get("/v1/device-tokens").await.expect(200)["items"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn delete_device_token_of_another_account_is_not_found_and_it_works_on() {
    let app = TestApp::start().await;
    let (ada, bo) = (app.actor("Ada").await, app.actor("Bo").await);
    let id = ada.get("/v1/device-tokens").await.expect(200)["items"][0].text("id").to_owned();
    for id in [id, new_id().to_string(), "x".to_owned()] {
        let path = format!("/v1/device-tokens/{id}");
        let _ = bo.call(reqwest::Method::DELETE, &path).send().await.problem("not-found");
    }
    let _ = ada.get("/v1/me").await.expect(200);
}
