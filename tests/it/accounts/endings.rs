//! The end of an account, and what it takes along.

use domain::wire::kitroom::Purpose;
use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{self, With, new_id};
use system_tests::harness::client::{Call, Http, Method};
use system_tests::harness::logins::{PASSWORD, refresh, try_login};

fn ending(http: &Http, password: &str) -> Call {
    http.call(Method::DELETE, "/v1/me").json(&json!({"password": password}))
}

#[actix_web::test]
async fn account_ended_leaves_its_clubs_facts_under_a_neutral_name_and_takes_its_own_kitroom() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let keeper = &kitroom.keeper;
    let personal = new_id();
    app.insert_kitroom(personal, Purpose::Personal, keeper).await;
    let item = keeper.post(&kitroom.path("items"), &bodies::item("blue shell")).await.expect(201).id();
    let weighing =
        keeper.post(&kitroom.path("weighings"), &bodies::weighing(item, 412.0)).await.expect(201).id();
    let pair = app.login(&keeper.email).await;
    let http = app.http.with_token(&pair.access);

    app.refuses(ending(&http, "not the password"), "validation-failed").await;
    assert_eq!(ending(&http, PASSWORD).send().await.status, 204);
    for gone in [&http, &keeper.http] {
        let _ = gone.get("/v1/me").await.problem("not-authenticated");
    }
    let _ = refresh(&app.http, &pair.refresh, new_id()).await.problem("not-authenticated");
    let _ = try_login(&app.http, &keeper.email, PASSWORD).await.problem("not-authenticated");

    let fact = kitroom.viewer.get(&kitroom.path(&format!("weighings/{weighing}"))).await.expect(200);
    assert_eq!(fact.text("created_by"), keeper.account.to_string());
    let row = format!("from accounts where id = '{}'", keeper.account);
    assert_eq!(app.scalar::<String>(&format!("select name {row}")).await, "a former member");
    let everything: String = app.scalar("select string_agg(t::text, ' ') from accounts t").await;
    assert!(!everything.contains(&keeper.email), "the address is gone");
    let members = kitroom.viewer.get(&kitroom.path("members")).await;
    assert!(!members.text().contains(&keeper.account.to_string()));
    let deleted = format!("select deleted_at is not null from kitrooms where id = '{personal}'");
    assert!(app.scalar::<bool>(&deleted).await, "the personal kitroom goes");
    // The address is free again.
    let made = kitroom.owner.post(&kitroom.path("invitations"), &json!({"role": "member"})).await.expect(201);
    let again =
        json!({"email": keeper.email, "password": PASSWORD, "name": "Kim", "invitation": made.text("token")});
    let _ = app.http.post("/v1/accounts", &again).await.expect(201);
}

#[actix_web::test]
async fn account_of_a_clubs_last_owner_cannot_end() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let problem = app.refuses(ending(&kitroom.owner, PASSWORD), "last-owner").await;
    assert!(problem.text("detail").contains("test kit"), "names the club: {problem}");
    assert_eq!(kitroom.owner.get("/v1/me").await.status, 200);
}

fn names(records: &Value) -> Vec<&str> {
    records.as_array().unwrap().iter().map(|record| record.text("name")).collect()
}

#[actix_web::test]
async fn export_holds_all_of_ones_own_and_nothing_of_others() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let keeper = &kitroom.keeper;
    let personal = new_id();
    app.insert_kitroom(personal, Purpose::Personal, keeper).await;
    let _ =
        keeper.post(&format!("/v1/kitrooms/{personal}/items"), &bodies::item("own vest")).await.expect(201);
    let _ = keeper.post(&kitroom.path("items"), &bodies::item("club shell, mine")).await.expect(201);
    let _ = kitroom
        .owner
        .post(&kitroom.path("items"), &bodies::item("club shell, the owner's"))
        .await
        .expect(201);
    let reply = keeper.get("/v1/me/export").await;
    assert!(reply.header("content-disposition").starts_with("attachment"));
    let export = reply.expect(200);
    assert_eq!(export["account"].text("email"), keeper.email);
    let mut found: Vec<&str> = Vec::new();
    for room in export["kitrooms"].as_array().unwrap() {
        found.extend(names(&room["records"]["items"]));
    }
    found.sort_unstable();
    assert_eq!(found, ["club shell, mine", "own vest"]);
    for secret in ["password", "hash", "argon2", keeper.http.token().unwrap()] {
        assert!(!reply.text().contains(secret), "shows {secret}");
    }
}
