//! Invitations: one person, once, in time, as long as whoever invited still decides about members.

use chrono::TimeDelta;
use futures_util::future::join_all;
use serde_json::{Value, json};
use system_tests::harness::actors::{Actor, Kitroom};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::client::{Call, Http, Method};
use system_tests::harness::logins::{PASSWORD, try_login};

async fn invite(kitroom: &Kitroom, role: &str) -> Value {
    kitroom
        .owner
        .post(&kitroom.path("invitations"), &json!({"role": role, "note": "the new one"}))
        .await
        .expect(201)
}

fn accepting(http: &Http, invitation: &Value) -> Call {
    http.posting("/v1/memberships", &json!({"invitation": invitation.text("token")}))
}

async fn role_of(app: &TestApp, kitroom: &Kitroom, actor: &Actor) -> String {
    app.scalar(&format!(
        "select coalesce((select role from memberships where kitroom_id = '{}' and account_id = '{}' and removed_at is null), 'none')",
        kitroom.id, actor.account
    ))
    .await
}

#[actix_web::test]
async fn invitation_accepted_once_is_nobody_elses() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let reply = kitroom.owner.post(&kitroom.path("invitations"), &json!({"role": "member"})).await;
    let made = reply.expect(201);
    assert_eq!(reply.header("location"), kitroom.path(&format!("invitations/{}", made.id())));
    let listed = kitroom.owner.get(&kitroom.path("invitations")).await;
    assert!(!listed.text().contains(made.text("token")), "the secret is answered once");
    let stored: String = app.scalar("select string_agg(t::text, ' ') from invitations t").await;
    assert!(!stored.contains(made.text("token")), "only a hash is kept");

    let joined = accepting(&kitroom.outsider, &made).send().await.expect(201);
    assert_eq!((joined.text("kitroom_id"), joined.text("role")), (kitroom.id.to_string().as_str(), "member"));
    assert_eq!(kitroom.outsider.get(&kitroom.path("items")).await.status, 200);
    // The reply was lost: the same account finds what it got. Anybody else finds nothing.
    assert_eq!(accepting(&kitroom.outsider, &made).send().await.expect(201), joined);
    app.refuses(accepting(&kitroom.removed, &made), "invitation-invalid").await;
    assert_eq!(kitroom.owner.get(&kitroom.path("invitations")).await.expect(200)["items"], json!([]));
    // Removed again, the used invitation is no way back.
    app.leave(kitroom.id, &kitroom.outsider).await;
    app.refuses(accepting(&kitroom.outsider, &made), "invitation-invalid").await;
}

#[actix_web::test]
async fn invitation_wrong_expired_revoked_or_of_a_deleted_kitroom_is_refused_alike() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let outsider = &kitroom.outsider;
    let mut answers = Vec::new();
    for wrong in ["", "tbi_", &api::platform::token::mint("tbi_").unwrap()] {
        let call = outsider.posting("/v1/memberships", &json!({"invitation": wrong}));
        answers.push(app.refuses(call, "invitation-invalid").await);
    }
    let revoked = invite(&kitroom, "member").await;
    let path = kitroom.path(&format!("invitations/{}", revoked.id()));
    assert_eq!(kitroom.owner.call(Method::DELETE, &path).send().await.status, 204);
    answers.push(app.refuses(accepting(outsider, &revoked), "invitation-invalid").await);

    let late = invite(&kitroom, "member").await;
    app.clock.advance(TimeDelta::hours(169));
    answers.push(app.refuses(accepting(outsider, &late), "invitation-invalid").await);
    app.clock.advance(TimeDelta::hours(-169));
    app.execute(&format!("update kitrooms set deleted_at = now() where id = '{}'", kitroom.id)).await;
    answers.push(app.refuses(accepting(outsider, &late), "invitation-invalid").await);
    let words: Vec<String> =
        answers.into_iter().map(|answer| answer.without("request_id").to_string()).collect();
    assert!(words.windows(2).all(|pair| pair[0] == pair[1]), "one answer for all: {words:?}");
}

#[actix_web::test]
async fn invitation_in_time_is_good_to_its_last_hour() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let made = invite(&kitroom, "keeper").await;
    app.clock.advance(TimeDelta::hours(167));
    assert_eq!(accepting(&kitroom.outsider, &made).send().await.expect(201).text("role"), "keeper");
    for hours in [0, 721, 1_000_000] {
        let call = kitroom
            .owner
            .posting(&kitroom.path("invitations"), &json!({"role": "member", "expires_in_h": hours}));
        app.refuses(call, "validation-failed").await;
    }
}

#[actix_web::test]
async fn invitation_of_an_owner_who_is_one_no_more_is_refused() {
    let app = TestApp::start().await;
    for demoted in [true, false] {
        let kitroom = app.kitroom().await;
        let second = app.actor("Olaf").await;
        app.join(kitroom.id, &second, "owner").await;
        let kept = second.post(&kitroom.path("invitations"), &json!({"role": "keeper"})).await.expect(201);
        let path = kitroom.path(&format!("members/{}", second.account));
        if demoted {
            let call = kitroom.owner.call(Method::PATCH, &path).merge_patch(&json!({"role": "viewer"}));
            assert_eq!(call.send().await.status, 200);
        } else {
            assert_eq!(kitroom.owner.call(Method::DELETE, &path).send().await.status, 204);
        }
        app.refuses(accepting(&second, &kept), "invitation-invalid").await;
        app.refuses(accepting(&kitroom.outsider, &kept), "invitation-invalid").await;
    }
}

#[actix_web::test]
async fn invitation_accepted_by_a_member_keeps_the_greater_role() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let lesser = invite(&kitroom, "viewer").await;
    assert_eq!(accepting(&kitroom.keeper, &lesser).send().await.expect(201).text("role"), "keeper");
    let greater = invite(&kitroom, "keeper").await;
    assert_eq!(accepting(&kitroom.member, &greater).send().await.expect(201).text("role"), "keeper");
    assert_eq!(role_of(&app, &kitroom, &kitroom.member).await, "keeper");
}

#[actix_web::test]
async fn invitation_accepted_fifty_times_at_once_makes_one_member() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let made = invite(&kitroom, "member").await;
    let members = "select count(*) from memberships where removed_at is null";
    let before: i64 = app.scalar(members).await;
    let mut crowd = Vec::new();
    for at in 0..50 {
        crowd.push(app.actor(&format!("Runner{at}")).await);
    }
    let replies = join_all(crowd.iter().map(|actor| accepting(&actor.http, &made).send())).await;
    let granted = replies.iter().filter(|reply| reply.status == 201).count();
    assert_eq!(granted, 1);
    for reply in replies.iter().filter(|reply| reply.status != 201) {
        let _ = reply.problem("invitation-invalid");
    }
    assert_eq!(app.scalar::<i64>(members).await, before + 1);
    // And by one account, from fifty of its devices.
    let made = invite(&kitroom, "member").await;
    let replies = join_all((0..50).map(|_| accepting(&kitroom.outsider, &made).send())).await;
    assert!(replies.iter().all(|reply| reply.status == 201));
    assert_eq!(app.scalar::<i64>(members).await, before + 2);
}

#[actix_web::test]
async fn account_made_with_an_invitation_is_a_member_and_without_one_is_not_made() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let made = invite(&kitroom, "member").await;
    let body = |email: &str, invitation: &str| json!({"email": email, "password": PASSWORD, "name": "Nele", "invitation": invitation});
    let (secret, email) = (made.text("token").to_owned(), "Nele@Example.org");
    let none = api::platform::token::mint("tbi_").unwrap();
    app.refuses(app.http.posting("/v1/accounts", &body(email, &none)), "invitation-invalid").await;
    // Without an invitation nobody learns whether an address has an account.
    app.refuses(app.http.posting("/v1/accounts", &body(&kitroom.owner.email, &none)), "invitation-invalid")
        .await;
    for (field, value) in
        [("email", "no address"), ("password", "short"), ("password", "nele@example.org"), ("name", "")]
    {
        let call = app.http.posting("/v1/accounts", &body(email, &secret).with(field, value));
        app.refuses(call, "validation-failed").await;
    }
    app.refuses(app.http.posting("/v1/accounts", &body(&kitroom.owner.email, &secret)), "conflict").await;

    let replies = join_all((0..10).map(|at| {
        let address = if at == 0 { email.to_owned() } else { format!("{}@example.org", new_id()) };
        app.http.posting("/v1/accounts", &body(&address, &secret)).send()
    }))
    .await;
    assert_eq!(replies.iter().filter(|reply| reply.status == 201).count(), 1, "one invitation, one account");
    let count: i64 = app.scalar("select count(*) from accounts where name = 'Nele'").await;
    assert_eq!(count, 1);
    let address: String = app.scalar("select email from accounts where name = 'Nele'").await;
    let login = try_login(&app.http, &address.to_uppercase(), PASSWORD).await.expect(201);
    let http = app.http.with_token(login.text("access_token"));
    let rooms = http.get("/v1/kitrooms").await.expect(200);
    assert_eq!(rooms["items"][0].text("role"), "member");
}

#[actix_web::test]
async fn invitations_of_one_kitroom_are_bounded() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    app.execute(&format!(
        "insert into invitations (id, kitroom_id, token_hash, role, created_by, created_at, expires_at) \
         select gen_random_uuid(), '{}', sha256(n::text::bytea), 'viewer', '{}', now(), now() + interval '1 day' \
         from generate_series(1, 200) n",
        kitroom.id, kitroom.owner.account
    ))
    .await;
    let call = kitroom.owner.posting(&kitroom.path("invitations"), &json!({"role": "member"}));
    app.refuses(call, "quota-exceeded").await;
}
