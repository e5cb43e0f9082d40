use serde_json::json;
use system_tests::harness::actors::PASSWORD;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::With;

#[tokio::test]
async fn create_session_with_the_password_answers_tokens_that_work() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    for email in [ada.email.clone(), ada.email.to_uppercase()] {
        let body = json!({"email": email, "password": PASSWORD});
        let session = app.http.post("/v1/sessions", &body).await.expect(201);
        assert_eq!((&session["token_type"], &session["expires_in_s"]), (&"Bearer".into(), &600.into()));
        assert!(session.text("refresh_token").starts_with("tbr_"), "{session}");
        let me = app.http.with_token(session.text("access_token")).get("/v1/me").await.expect(200);
        assert_eq!(me["email"], ada.email.as_str());
        assert!(me.get("password_hash").is_none(), "{me}");
    }
    assert_eq!(app.count("sessions").await, 2);
}

#[tokio::test]
async fn create_session_an_unknown_address_and_a_wrong_password_get_the_same_answer() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let mut answers = Vec::new();
    for (email, password) in [
        (ada.email.as_str(), "up the short hill"),
        (ada.email.as_str(), "up the long hill "),
        ("nobody@example.org", PASSWORD),
        ("", ""),
        ("no\tbody", "x"),
    ] {
        let reply = app.http.post("/v1/sessions", &json!({"email": email, "password": password})).await;
        answers.push(reply.problem("not-authenticated").without("request_id"));
    }
    assert!(answers.windows(2).all(|pair| pair[0] == pair[1]), "{answers:?}");
    assert_eq!(app.count("sessions").await, 0);
}

#[tokio::test]
async fn create_session_with_wrong_fields_is_refused_by_pointer() {
    let app = TestApp::start().await;
    for (body, pointer) in [
        (json!({"password": "x"}), "/email"),
        (json!({"email": "a@example.org"}), "/password"),
        (json!({"email": "a@example.org", "password": 7}), "/password"),
        (json!({"email": "a@example.org", "password": "x".repeat(1025)}), "/password"),
        (json!({"email": "a\u{0}@example.org", "password": "x"}), "/email"),
        (json!({"email": "a@example.org", "password": "x", "role": "owner"}), "/role"),
    ] {
        let problem = app.refuses(app.http.posting("/v1/sessions", &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
        assert!(!problem.to_string().contains("xxxx"), "a password is never answered");
    }
}
