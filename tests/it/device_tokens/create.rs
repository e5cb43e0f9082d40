use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::With;
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn create_device_token_shows_its_secret_once_and_stores_only_its_hash() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let here = app.log_in(&ada).await;
    let made = here.post("/v1/device-tokens", &json!({"name": "laptop in the kitchen"})).await.expect(201);
    let secret = made.text("token").to_owned();
    assert!(secret.starts_with("tbd_") && secret.len() == 4 + 43 + 6, "{secret}");
    insta::assert_json_snapshot!(redacted(&made.clone().without("token")), @r#"
    {
      "created_at": "[time]",
      "id": "[id]",
      "name": "laptop in the kitchen"
    }
    "#);
    let device = app.http.with_token(&secret);
    assert_eq!(device.get("/v1/me").await.expect(200)["id"], ada.account.to_string());
    let listed = device.get("/v1/device-tokens").await;
    assert!(!listed.text().contains("tbd_"), "{}", listed.text());
    let items = listed.expect(200)["items"].as_array().unwrap().clone();
    assert_eq!(
        items.iter().map(|item| item.text("name")).collect::<Vec<_>>(),
        ["test device", "laptop in the kitchen"]
    );
    assert!(items[1].get("last_used_at").is_some());
    let rows: String = app.scalar("select string_agg(t::text, '') from device_tokens t").await;
    assert!(!rows.contains(&secret[4..40]));
}

#[tokio::test]
async fn create_device_token_number_101_is_refused() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    app.execute(&format!(
        "insert into device_tokens (id, account_id, name, token_hash, created_at) \
         select gen_random_uuid(), '{}', 'x', sha256(n::text::bytea), now() from generate_series(1, 99) n",
        ada.account
    ))
    .await;
    let here = app.log_in(&ada).await;
    app.refuses(here.posting("/v1/device-tokens", &json!({"name": "one more"})), "quota-exceeded").await;
    assert_eq!(app.count("device_tokens").await, 100);
}

#[tokio::test]
async fn create_device_token_takes_a_login_of_the_last_quarter_of_an_hour() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let body = json!({"name": "laptop"});
    // A lost device cannot make itself more of them.
    app.refuses(ada.posting("/v1/device-tokens", &body), "reauthentication-required").await;
    for (minutes, status) in [(14, 201), (16, 403)] {
        // The session's access token was refreshed since; when the password was given does not move with that.
        let here = app.log_in(&ada).await;
        app.execute(&format!("update sessions set created_at = created_at - interval '{minutes} minutes'"))
            .await;
        assert_eq!(here.post("/v1/device-tokens", &body).await.status, status, "{minutes} min");
        app.execute("delete from sessions").await;
    }
}
