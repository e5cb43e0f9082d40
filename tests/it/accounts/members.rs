//! Members: roles, leaving, the last owner, the personal kitroom.

use domain::wire::kitroom::Purpose;
use serde_json::json;
use system_tests::harness::actors::{Actor, Kitroom};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::client::{Call, Http, Method};

fn removing(http: &Http, kitroom: &Kitroom, whom: &Actor) -> Call {
    http.call(Method::DELETE, &kitroom.path(&format!("members/{}", whom.account)))
}

fn changing(http: &Http, kitroom: &Kitroom, whom: &Actor, role: &str) -> Call {
    http.call(Method::PATCH, &kitroom.path(&format!("members/{}", whom.account)))
        .merge_patch(&json!({"role": role}))
}

async fn owners(app: &TestApp, kitroom: &Kitroom) -> i64 {
    app.scalar(&format!(
        "select count(*) from memberships where kitroom_id = '{}' and role = 'owner' and removed_at is null",
        kitroom.id
    ))
    .await
}

#[actix_web::test]
async fn member_with_another_role_may_what_it_says_at_once() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let item = json!({"name": "whistle", "kind": "whistle"});
    app.refuses(kitroom.member.posting(&kitroom.path("items"), &item), "forbidden").await;
    let changed = changing(&kitroom.owner, &kitroom, &kitroom.member, "keeper").send().await.expect(200);
    assert_eq!(changed.text("role"), "keeper");
    let _ = kitroom.member.post(&kitroom.path("items"), &item).await.expect(201);
    let _ = changing(&kitroom.owner, &kitroom, &kitroom.member, "viewer").send().await.expect(200);
    app.refuses(kitroom.member.posting(&kitroom.path("items"), &item), "forbidden").await;
    let listed = kitroom.viewer.get(&kitroom.path("members")).await.expect(200);
    let roles: Vec<&str> = listed["items"].as_array().unwrap().iter().map(|m| m.text("role")).collect();
    assert_eq!(roles, ["owner", "keeper", "viewer", "viewer"]);
}

#[actix_web::test]
async fn member_who_leaves_or_is_removed_sees_nothing_more() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    for (by, whom) in [
        (&kitroom.viewer, &kitroom.viewer),
        (&kitroom.keeper, &kitroom.keeper),
        (&kitroom.owner, &kitroom.member),
    ] {
        assert_eq!(whom.get(&kitroom.path("items")).await.status, 200);
        assert_eq!(removing(by, &kitroom, whom).send().await.status, 204);
        let _ = whom.get(&kitroom.path("items")).await.problem("not-found");
        let _ = removing(whom, &kitroom, whom).send().await.problem("not-found");
    }
}

#[actix_web::test]
async fn last_owner_can_neither_leave_nor_step_down() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    app.refuses(removing(&kitroom.owner, &kitroom, &kitroom.owner), "last-owner").await;
    app.refuses(changing(&kitroom.owner, &kitroom, &kitroom.owner, "keeper"), "last-owner").await;
    let (_, access) = app.open_session(kitroom.owner.account).await;
    let fresh = app.http.with_token(&access);
    let _ = changing(&fresh, &kitroom, &kitroom.keeper, "owner").send().await.expect(200);
    assert_eq!(removing(&kitroom.owner, &kitroom, &kitroom.owner).send().await.status, 204);
    app.refuses(removing(&kitroom.keeper, &kitroom, &kitroom.keeper), "last-owner").await;
}

#[actix_web::test]
async fn two_owners_who_leave_at_once_leave_one_behind() {
    let app = TestApp::start().await;
    for round in 0..12 {
        let kitroom = app.kitroom().await;
        let second = app.actor("Olaf").await;
        app.join(kitroom.id, &second, "owner").await;
        let one = removing(&kitroom.owner, &kitroom, &kitroom.owner);
        // Each way out of being an owner against the other's leaving.
        let two = match round % 3 {
            0 => removing(&second, &kitroom, &second),
            1 => changing(&second, &kitroom, &second, "viewer"),
            _ => removing(&second, &kitroom, &kitroom.owner),
        };
        let (one, two) = tokio::join!(one.send(), two.send());
        assert_eq!(owners(&app, &kitroom).await, 1, "round {round}: {} {}", one.status, two.status);
        assert!(one.status < 300 || two.status < 300, "round {round}");
    }
}

#[actix_web::test]
async fn two_owners_who_end_their_accounts_at_once_leave_one_behind() {
    let app = TestApp::start().await;
    for round in 0..6 {
        let kitroom = app.kitroom().await;
        let second = app.actor("Olaf").await;
        app.join(kitroom.id, &second, "owner").await;
        let end = |http: &Http| {
            http.call(Method::DELETE, "/v1/me")
                .json(&json!({"password": system_tests::harness::logins::PASSWORD}))
        };
        let other = if round % 2 == 0 { end(&second) } else { removing(&second, &kitroom, &second) };
        let (one, two) = tokio::join!(end(&kitroom.owner).send(), other.send());
        assert_eq!(owners(&app, &kitroom).await, 1, "round {round}: {} {}", one.text(), two.text());
    }
}

#[actix_web::test]
async fn personal_kitroom_has_one_owner_and_viewers() {
    let app = TestApp::start().await;
    let owner = app.actor("Runa").await;
    let id = new_id();
    app.insert_kitroom(id, Purpose::Personal, &owner).await;
    let path = |rest: &str| format!("/v1/kitrooms/{id}/{rest}");
    let (_, access) = app.open_session(owner.account).await;
    let fresh = app.http.with_token(&access);
    for role in ["member", "keeper", "owner"] {
        app.refuses(fresh.posting(&path("invitations"), &json!({"role": role})), "validation-failed").await;
    }
    let made = fresh.post(&path("invitations"), &json!({"role": "viewer"})).await.expect(201);
    let coach = app.actor("Cleo").await;
    let _ = coach.post("/v1/memberships", &json!({"invitation": made.text("token")})).await.expect(201);
    assert_eq!(coach.get(&path("items")).await.status, 200);
    let item = json!({"name": "whistle", "kind": "whistle"});
    app.refuses(coach.posting(&path("items"), &item), "forbidden").await;
    for role in ["member", "keeper", "owner"] {
        let call = fresh
            .call(Method::PATCH, &path(&format!("members/{}", coach.account)))
            .merge_patch(&json!({"role": role}));
        app.refuses(call, "validation-failed").await;
    }
    let leave = owner.call(Method::DELETE, &path(&format!("members/{}", owner.account)));
    app.refuses(leave, "last-owner").await;
}

#[actix_web::test]
async fn members_of_one_kitroom_are_bounded_but_a_member_may_rise() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    app.execute(&format!(
        "with people as (insert into accounts (id, email, name, password_hash, created_at) \
         select ('019d0000-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid, n || '@example.org', 'one of many', 'none', now() \
         from generate_series(1, 996) n returning id) \
         insert into memberships (kitroom_id, account_id, role, created_at) select '{}', id, 'viewer', now() from people",
        kitroom.id
    ))
    .await;
    let invite =
        |role: &str| kitroom.owner.posting(&kitroom.path("invitations"), &json!({"role": role})).send();
    let made = invite("member").await.expect(201);
    let accept = json!({"invitation": made.text("token")});
    app.refuses(kitroom.outsider.posting("/v1/memberships", &accept), "quota-exceeded").await;
    let risen = kitroom.viewer.post("/v1/memberships", &accept).await.expect(201);
    assert_eq!(risen.text("role"), "member");
    // Page by page all thousand are there.
    let (mut seen, mut cursor) = (0, String::new());
    loop {
        let page = kitroom.viewer.get(&kitroom.path(&format!("members?limit=300{cursor}"))).await.expect(200);
        seen += page["items"].as_array().unwrap().len();
        match page["next_cursor"].as_str() {
            Some(next) => cursor = format!("&cursor={next}"),
            None => break,
        }
    }
    assert_eq!(seen, 1000);
}
