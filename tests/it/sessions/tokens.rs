use api::platform::auth::AccessTokens;
use api::platform::token;
use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use chrono::TimeDelta;
use serde_json::{Value, json};
use system_tests::harness::actors::PASSWORD;
use system_tests::harness::app::{SIGNING_KEY, TestApp};
use system_tests::harness::bodies::{With, new_id};

async fn log_in(app: &TestApp, email: &str) -> String {
    let session =
        app.http.post("/v1/sessions", &json!({"email": email, "password": PASSWORD})).await.expect(201);
    session.text("access_token").to_owned()
}

fn part(token: &str, at: usize) -> Value {
    let part = token.split('.').nth(at).unwrap();
    serde_json::from_slice(&URL_SAFE_NO_PAD.decode(part).unwrap()).unwrap()
}

#[tokio::test]
async fn access_token_has_the_claims_of_its_kind_and_no_role() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let token = log_in(&app, &ada.email).await;
    // RFC 9068, section 2: the header's type, and the claims that are required of an access token.
    let header = part(&token, 0);
    assert_eq!((&header["typ"], &header["alg"]), (&"at+jwt".into(), &"HS256".into()));
    let claims = part(&token, 1);
    let names: Vec<&String> = claims.as_object().unwrap().keys().collect();
    assert_eq!(names, ["aud", "exp", "iat", "iss", "jti", "nbf", "sid", "sub"]);
    assert_eq!(claims["sub"], ada.account.to_string());
    assert_eq!(claims["exp"].as_i64().unwrap() - claims["iat"].as_i64().unwrap(), 600);
}

#[tokio::test]
async fn access_token_after_ten_minutes_has_run_out() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    app.clock.advance(TimeDelta::seconds(-(600 + 31)));
    let token = log_in(&app, &ada.email).await;
    app.clock.advance(TimeDelta::seconds(600 + 31));
    let _ = app.http.with_token(&token).get("/v1/me").await.problem("token-expired");
    // Not before its time, either.
    app.clock.advance(TimeDelta::seconds(120));
    let token = log_in(&app, &ada.email).await;
    let _ = app.http.with_token(&token).get("/v1/me").await.problem("not-authenticated");
}

#[tokio::test]
async fn access_token_that_was_tampered_with_is_refused() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let token = log_in(&app, &ada.email).await;
    let _ = app.http.with_token(&token).get("/v1/me").await.expect(200);
    let parts: Vec<&str> = token.split('.').collect();
    let encode = |value: &Value| URL_SAFE_NO_PAD.encode(value.to_string());
    let header = part(&token, 0);
    let claims = part(&token, 1).with("sub", new_id().to_string());
    // RFC 8725, section 2.1: no algorithm, and another one than the service's.
    let none = encode(&header.clone().with("alg", "none"));
    let other = encode(&header.clone().with("alg", "HS512"));
    let path = encode(&header.clone().with("kid", "../../dev/null"));
    let kind = encode(&header.with("typ", "JWT"));
    let foreign = AccessTokens::new(&[8; 32]).issue(ada.account, new_id(), app.clock.now()).unwrap();
    let no_session = AccessTokens::new(&SIGNING_KEY).issue(ada.account, new_id(), app.clock.now()).unwrap();
    for forged in [
        format!("{none}.{}.", parts[1]),
        format!("{none}.{}.{}", parts[1], parts[2]),
        format!("{other}.{}.{}", parts[1], parts[2]),
        format!("{path}.{}.{}", parts[1], parts[2]),
        format!("{kind}.{}.{}", parts[1], parts[2]),
        format!("{}.{}.{}", parts[0], encode(&claims), parts[2]),
        format!("{}.{}", parts[0], parts[1]),
        token[..token.len() - 4].to_owned(),
        foreign,
        no_session,
        "x".to_owned(),
        "..".to_owned(),
    ] {
        let _ = app.http.with_token(&forged).get("/v1/me").await.problem("not-authenticated");
    }
}

#[tokio::test]
async fn device_token_that_is_none_is_refused() {
    let app = TestApp::start().await;
    let unknown = token::mint(token::DEVICE).unwrap();
    let refresh = token::mint(token::REFRESH).unwrap();
    for wrong in [unknown.as_str(), &refresh, "tbd_", &unknown[..50], &unknown.replace("tbd_", "tbd-")] {
        let _ = app.http.with_token(wrong).get("/v1/me").await.problem("not-authenticated");
    }
    for header in ["", "Bearer", "Bearer ", "Basic YWRhOmFkYQ==", "bearer", "Token x"] {
        let reply = app.http.getting("/v1/me").header("Authorization", header).send().await;
        let _ = reply.problem("not-authenticated");
    }
}
