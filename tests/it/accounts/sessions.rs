//! Sessions and device tokens: listed, revoked at once, ended by another password.

use serde_json::{Value, json};
use system_tests::harness::actors::Actor;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::With;
use system_tests::harness::client::{Http, Method};
use system_tests::harness::logins::{PASSWORD, Pair, refresh, try_login};

const NEW: &str = "five dry socks at dusk";

async fn start() -> (TestApp, Actor) {
    let app = TestApp::start().await;
    let actor = app.actor("Runa").await;
    (app, actor)
}

async fn delete(http: &Http, path: &str) -> u16 {
    http.call(Method::DELETE, path).send().await.status
}

async fn is_in(http: &Http) -> bool {
    http.get("/v1/me").await.status == 200
}

fn change(http: &Http, body: &Value) -> system_tests::harness::client::Call {
    http.call(Method::PUT, "/v1/me/password").json(body)
}

#[actix_web::test]
async fn sessions_listed_show_which_one_asks_and_no_secret() {
    let (app, actor) = start().await;
    let (one, two) = (app.login(&actor.email).await, app.login(&actor.email).await);
    let http = app.http.with_token(&two.access);
    let reply = http.get("/v1/sessions").await;
    let items = reply.expect(200)["items"].as_array().unwrap().clone();
    let current: Vec<bool> = items.iter().map(|item| item["current"].as_bool().unwrap()).collect();
    assert_eq!(current, [false, true]);
    for pair in [&one, &two] {
        assert!(!reply.text().contains(&pair.refresh) && !reply.text().contains(&pair.access));
    }
    // A stranger's list has none of them.
    let stranger = app.actor("Stina").await;
    assert_eq!(stranger.get("/v1/sessions").await.expect(200)["items"], json!([]));
}

#[actix_web::test]
async fn session_revoked_is_refused_at_once_and_no_other_is() {
    let (app, actor) = start().await;
    let (one, two) = (app.login(&actor.email).await, app.login(&actor.email).await);
    let (first, second) = (app.http.with_token(&one.access), app.http.with_token(&two.access));
    // Both are remembered as good when one is revoked.
    assert!(is_in(&first).await && is_in(&second).await);
    let listed = second.get("/v1/sessions").await.expect(200);
    let other = listed["items"].as_array().unwrap().iter().find(|item| item["current"] == false).unwrap();
    let path = format!("/v1/sessions/{}", other.id());
    assert_eq!(delete(&second, &path).await, 204);
    assert!(!is_in(&first).await && is_in(&second).await);
    let _ = refresh(&app.http, &one.refresh, uuid::Uuid::now_v7()).await.problem("not-authenticated");
    assert_eq!(delete(&second, &path).await, 404);
    assert_eq!(delete(&actor.http, "/v1/sessions/current").await, 404, "a device has no session");
    assert_eq!(delete(&second, "/v1/sessions/current").await, 204);
    assert!(!is_in(&second).await && is_in(&actor.http).await);
}

#[actix_web::test]
async fn device_token_made_by_a_login_works_and_revoked_is_refused_at_once() {
    let (app, actor) = start().await;
    let http = app.http.with_token(&app.login(&actor.email).await.access);
    let reply = http.post("/v1/device-tokens", &json!({"name": "laptop in the kitchen"})).await;
    let made = reply.expect(201);
    assert_eq!(reply.header("location"), format!("/v1/device-tokens/{}", made.id()));
    let laptop = app.http.with_token(made.text("token"));
    assert!(is_in(&laptop).await);
    let listed = laptop.get("/v1/device-tokens").await;
    assert!(!listed.text().contains(made.text("token")), "the secret is answered once");
    assert_eq!(listed.expect(200)["items"].as_array().unwrap().len(), 2);
    let stored: String = app.scalar("select string_agg(t::text, ' ') from device_tokens t").await;
    assert!(!stored.contains(made.text("token")), "only a hash is kept");
    assert_eq!(delete(&http, &format!("/v1/device-tokens/{}", made.id())).await, 204);
    assert!(!is_in(&laptop).await && is_in(&http).await && is_in(&actor.http).await);
    assert_eq!(delete(&http, &format!("/v1/device-tokens/{}", made.id())).await, 404);
}

#[actix_web::test]
async fn device_tokens_of_one_account_are_bounded() {
    let (app, actor) = start().await;
    app.execute(&format!(
        "insert into device_tokens (id, account_id, name, token_hash, created_at) \
         select gen_random_uuid(), '{}', 'old', sha256(n::text::bytea), now() from generate_series(1, 99) n",
        actor.account
    ))
    .await;
    let http = app.http.with_token(&app.login(&actor.email).await.access);
    app.refuses(http.posting("/v1/device-tokens", &json!({"name": "one more"})), "quota-exceeded").await;
}

#[actix_web::test]
async fn password_changed_ends_every_other_session_and_leaves_devices() {
    let (app, actor) = start().await;
    let (one, two) = (app.login(&actor.email).await, app.login(&actor.email).await);
    let (first, second) = (app.http.with_token(&one.access), app.http.with_token(&two.access));
    assert!(is_in(&first).await && is_in(&second).await);
    let body = json!({"current_password": PASSWORD, "new_password": NEW});
    assert_eq!(change(&second, &body).send().await.status, 204);
    assert!(!is_in(&first).await, "the other session is over");
    assert!(is_in(&second).await && is_in(&actor.http).await);
    let _ = try_login(&app.http, &actor.email, PASSWORD).await.problem("not-authenticated");
    let _ = Pair::of(&try_login(&app.http, &actor.email, NEW).await.expect(201));
}

#[actix_web::test]
async fn password_changed_with_devices_ends_them_too() {
    let (app, actor) = start().await;
    let http = app.http.with_token(&app.login(&actor.email).await.access);
    assert!(is_in(&actor.http).await);
    let body = json!({"current_password": PASSWORD, "new_password": NEW, "revoke_device_tokens": true});
    assert_eq!(change(&http, &body).send().await.status, 204);
    assert!(!is_in(&actor.http).await && is_in(&http).await);
}

#[actix_web::test]
async fn password_change_with_a_wrong_or_a_weak_one_changes_nothing() {
    let (app, actor) = start().await;
    let http = app.http.with_token(&app.login(&actor.email).await.access);
    let long = "x9 ".repeat(400);
    for (current, new, pointer) in [
        ("not the password", NEW, "/current_password"),
        (PASSWORD, "short", "/new_password"),
        (PASSWORD, "qwertyuiop", "/new_password"),
        (PASSWORD, long.as_str(), "/new_password"),
    ] {
        let call = change(&http, &json!({"current_password": current, "new_password": new}));
        let problem = app.refuses(call, "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
    let _ = Pair::of(&try_login(&app.http, &actor.email, PASSWORD).await.expect(201));
}

#[actix_web::test]
async fn read_only_properties_sent_by_a_client_are_refused() {
    let (app, actor) = start().await;
    let http = app.http.with_token(&app.login(&actor.email).await.access);
    let tag = http.get("/v1/me").await.etag();
    for (name, value) in [
        ("id", json!(actor.account)),
        ("version", json!(9)),
        ("email", json!("x@example.org")),
        ("created_at", json!("2026-01-01T00:00:00Z")),
        ("role", json!("owner")),
    ] {
        let call = http.patching("/v1/me", &tag, &json!({name: value}));
        let problem = app.refuses(call, "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], format!("/{name}"), "{problem}");
    }
}
