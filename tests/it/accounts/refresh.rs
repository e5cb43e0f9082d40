//! Refresh tokens: rotation that survives lost replies, and finds a copy in another's hands (RFC 9700, section 4.14.2).

use chrono::TimeDelta;
use system_tests::harness::actors::Actor;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::new_id;
use system_tests::harness::logins::{Pair, refresh};

async fn start() -> (TestApp, Actor, Pair) {
    let app = TestApp::start().await;
    let actor = app.actor("Runa").await;
    let pair = app.login(&actor.email).await;
    (app, actor, pair)
}

/// A refresh that is granted.
async fn next(app: &TestApp, token: &str) -> Pair {
    Pair::of(&refresh(&app.http, token, new_id()).await.expect(200))
}

async fn status(app: &TestApp, access: &str) -> u16 {
    app.http.with_token(access).get("/v1/me").await.status
}

#[actix_web::test]
async fn refresh_with_one_to_five_lost_replies_gets_the_same_successor() {
    let (app, _, pair) = start().await;
    let mut token = pair.refresh;
    for lost in 1..=5 {
        let rotation = new_id();
        let first = Pair::of(&refresh(&app.http, &token, rotation).await.expect(200));
        for _ in 0..lost {
            let again = Pair::of(&refresh(&app.http, &token, rotation).await.expect(200));
            assert_eq!(again.refresh, first.refresh, "after {lost} lost replies");
            assert_eq!(status(&app, &again.access).await, 200);
        }
        token = first.refresh;
    }
    assert_eq!(app.count("sessions").await, 1);
    assert_eq!(app.count("refresh_tokens").await, 6);
}

#[actix_web::test]
async fn refresh_by_two_processes_at_once_grants_one_and_ends_nothing() {
    let (app, _, pair) = start().await;
    let mut token = pair.refresh;
    for _ in 0..10 {
        let (one, two) =
            tokio::join!(refresh(&app.http, &token, new_id()), refresh(&app.http, &token, new_id()));
        let (won, lost) = if one.status == 200 { (one, two) } else { (two, one) };
        let problem = lost.problem("not-authenticated");
        assert!(problem["detail"].as_str().unwrap().contains("another process"), "{problem}");
        token = Pair::of(&won.expect(200)).refresh;
    }
    // The same process, whose two requests carry one rotation id, gets one answer twice.
    let rotation = new_id();
    let (one, two) = tokio::join!(refresh(&app.http, &token, rotation), refresh(&app.http, &token, rotation));
    assert_eq!(Pair::of(&one.expect(200)).refresh, Pair::of(&two.expect(200)).refresh);
    assert!(!app.scalar::<bool>("select bool_or(revoked_at is not null) from sessions").await);
}

/// Everything but the session that is ended stays: another session, the device, the records.
async fn assert_only_the_family_ended(app: &TestApp, actor: &Actor, dead: &Pair, other: &Pair) {
    let _ = refresh(&app.http, &dead.refresh, new_id()).await.problem("not-authenticated");
    let over = app.http.with_token(&dead.access).get("/v1/me").await.problem("not-authenticated");
    assert!(over["detail"].as_str().unwrap().contains("over"), "{over}");
    assert_eq!(status(app, &other.access).await, 200);
    let _ = next(app, &other.refresh).await;
    assert_eq!(actor.get("/v1/me").await.status, 200);
}

#[actix_web::test]
async fn refresh_with_a_token_after_its_successor_was_used_ends_the_family_alone() {
    let (app, actor, first) = start().await;
    let other = app.login(&actor.email).await;
    let second = next(&app, &first.refresh).await;
    let third = next(&app, &next(&app, &second.refresh).await.refresh).await;
    let before = app.contents().await;
    let stolen = refresh(&app.http, &second.refresh, new_id()).await.problem("not-authenticated");
    assert!(stolen["detail"].as_str().unwrap().contains("used twice"), "{stolen}");
    assert!(stolen["detail"].as_str().unwrap().contains("safe"), "says that unsent work is safe: {stolen}");
    assert_eq!(app.contents().await, before, "losing a login touches nothing else");
    assert_only_the_family_ended(&app, &actor, &third, &other).await;
}

#[actix_web::test]
async fn refresh_with_a_grandparent_ends_the_family_alone() {
    let (app, actor, first) = start().await;
    let other = app.login(&actor.email).await;
    let second = next(&app, &first.refresh).await;
    let third = next(&app, &second.refresh).await;
    let _ = refresh(&app.http, &first.refresh, new_id()).await.problem("not-authenticated");
    assert_only_the_family_ended(&app, &actor, &third, &other).await;
}

#[actix_web::test]
async fn refresh_with_the_same_rotation_id_after_the_successor_was_used_ends_the_family_alone() {
    let (app, actor, first) = start().await;
    let other = app.login(&actor.email).await;
    let rotation = new_id();
    let second = Pair::of(&refresh(&app.http, &first.refresh, rotation).await.expect(200));
    let third = next(&app, &second.refresh).await;
    let _ = refresh(&app.http, &first.refresh, rotation).await.problem("not-authenticated");
    assert_only_the_family_ended(&app, &actor, &third, &other).await;
}

#[actix_web::test]
async fn refresh_with_the_same_rotation_id_a_day_later_is_refused_and_ends_nothing() {
    let (app, _, first) = start().await;
    let rotation = new_id();
    let second = Pair::of(&refresh(&app.http, &first.refresh, rotation).await.expect(200));
    app.clock.advance(TimeDelta::hours(23));
    let again = Pair::of(&refresh(&app.http, &first.refresh, rotation).await.expect(200));
    assert_eq!(again.refresh, second.refresh);
    app.clock.advance(TimeDelta::hours(2));
    let _ = refresh(&app.http, &first.refresh, rotation).await.problem("not-authenticated");
    let _ = next(&app, &second.refresh).await;
}

#[actix_web::test]
async fn refresh_of_a_clock_that_is_an_hour_off_either_way_is_granted() {
    let (app, _, pair) = start().await;
    app.clock.advance(TimeDelta::hours(1));
    let pair = next(&app, &pair.refresh).await;
    app.clock.advance(TimeDelta::hours(-2));
    let _ = next(&app, &pair.refresh).await;
}

#[actix_web::test]
async fn refresh_after_ninety_idle_days_or_a_year_in_all_is_refused() {
    let (app, actor, idle) = start().await;
    app.clock.advance(TimeDelta::days(89));
    let mut busy = app.login(&actor.email).await.refresh;
    let idle = next(&app, &idle.refresh).await;
    app.clock.advance(TimeDelta::days(91));
    let _ = refresh(&app.http, &idle.refresh, new_id()).await.problem("not-authenticated");
    let _ = refresh(&app.http, &busy, new_id()).await.problem("not-authenticated");
    busy = app.login(&actor.email).await.refresh;
    for _ in 0..4 {
        app.clock.advance(TimeDelta::days(89));
        busy = next(&app, &busy).await.refresh;
    }
    app.clock.advance(TimeDelta::days(8));
    busy = next(&app, &busy).await.refresh;
    app.clock.advance(TimeDelta::days(2));
    let over = refresh(&app.http, &busy, new_id()).await.problem("not-authenticated");
    assert!(over["detail"].as_str().unwrap().contains("safe"), "{over}");
}

#[actix_web::test]
async fn device_token_after_five_days_and_after_two_years_offline_is_good() {
    let (app, actor, _) = start().await;
    for days in [5, 725] {
        app.clock.advance(TimeDelta::days(days));
        assert_eq!(actor.get("/v1/sync").await.status, 200);
    }
}

#[actix_web::test]
async fn refresh_with_what_is_no_refresh_token_is_refused() {
    let (app, actor, pair) = start().await;
    let device = actor.http.token().unwrap().to_owned();
    for token in ["", "tbr_", &pair.access, &device, &pair.refresh[1..], &format!("{}x", pair.refresh)] {
        let _ = refresh(&app.http, token, new_id()).await.problem("not-authenticated");
    }
    let minted = api::platform::token::mint("tbr_").unwrap();
    let _ = refresh(&app.http, &minted, new_id()).await.problem("not-authenticated");
    let _ = next(&app, &pair.refresh).await;
}
