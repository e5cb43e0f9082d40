//! Logging in: one answer for all who may not, and not too often.

use std::num::NonZeroU32;
use std::time::{Duration, Instant};

use api::platform::limits::LoginLimits;
use api::platform::password::{PasswordCost, Passwords};
use futures_util::future::join_all;
use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::client::Reply;
use system_tests::harness::logins::{PASSWORD, refresh, try_login};
use system_tests::harness::service::Place;

const UNKNOWN: &str = "nobody@example.org";

fn some(number: u32) -> NonZeroU32 {
    NonZeroU32::new(number).unwrap()
}

async fn limited(per_account: u32, per_address: u32, behind_proxy: bool) -> TestApp {
    let limits = LoginLimits { per_account: some(per_account), per_address: some(per_address), behind_proxy };
    TestApp::start_with(|settings| settings.login_limits = limits).await
}

#[actix_web::test]
async fn login_in_another_case_is_taken_and_answers_a_pair_that_is_not_kept() {
    let app = TestApp::start().await;
    let actor = app.actor("Runa").await;
    let reply = try_login(&app.http, &actor.email.to_uppercase(), PASSWORD).await;
    let pair = reply.expect(201);
    assert_eq!((pair.text("token_type"), &pair["expires_in_s"]), ("Bearer", &json!(600)));
    let (_, session) = reply.header("location").rsplit_once('/').unwrap();
    assert_eq!(app.scalar::<uuid::Uuid>("select id from sessions").await.to_string(), session);
    let kept: String =
        app.scalar("select string_agg(s::text || r::text, ' ') from sessions s, refresh_tokens r").await;
    for secret in ["access_token", "refresh_token"] {
        assert!(!kept.contains(pair.text(secret)), "{secret} is kept");
    }
}

#[actix_web::test]
async fn login_unknown_account_and_wrong_password_get_one_answer() {
    let app = TestApp::start().await;
    let actor = app.actor("Runa").await;
    let plain = |reply: Reply| reply.problem("not-authenticated").without("request_id");
    let wrong = plain(try_login(&app.http, &actor.email, "not the password").await);
    for email in [UNKNOWN, "no address", "", "%@example.org"] {
        assert_eq!(plain(try_login(&app.http, email, PASSWORD).await), wrong, "{email:?}");
    }
    // Exactly as chosen: nothing is trimmed, no case is folded.
    let near = [format!(" {PASSWORD}"), format!("{PASSWORD} "), PASSWORD.to_uppercase(), String::new()];
    for near in near {
        assert_eq!(plain(try_login(&app.http, &actor.email, &near).await), wrong, "{near:?}");
    }
    assert_eq!(app.count("sessions").await, 0);
}

/// The normal score of the Mann-Whitney rank sum of one sample against another, without ties.
fn rank_score(one: &[f64], two: &[f64]) -> f64 {
    let wins = one.iter().flat_map(|a| two.iter().map(move |b| f64::from(u8::from(a > b)))).sum::<f64>();
    let (n, m) = (one.len() as f64, two.len() as f64);
    (wins - n * m / 2.0) / (n * m * (n + m + 1.0) / 12.0).sqrt()
}

fn median(values: &[f64]) -> f64 {
    let mut values = values.to_vec();
    values.sort_by(f64::total_cmp);
    values[values.len() / 2]
}

#[actix_web::test]
async fn login_unknown_account_takes_as_long_as_a_known_one() {
    let app = TestApp::start_with(|settings| settings.password_cost = PasswordCost::PRODUCTION).await;
    let actor = app.actor("Runa").await;
    let passwords = Passwords::new(PasswordCost::PRODUCTION).unwrap();
    let hash = passwords.hash(PASSWORD.into()).await.unwrap();
    app.execute(&format!("update accounts set password_hash = '{hash}'")).await;
    let mut times = [Vec::new(), Vec::new()];
    // By turns, so that whatever else the machine does falls on both.
    for round in 0..33 {
        for (at, email) in [actor.email.as_str(), UNKNOWN].into_iter().enumerate() {
            let begun = Instant::now();
            let _ = try_login(&app.http, email, "not the password").await.problem("not-authenticated");
            if round > 2 {
                times[at].push(begun.elapsed().as_secs_f64());
            }
        }
    }
    let [known, unknown] = times;
    let (a, b) = (median(&known), median(&unknown));
    // Without the work for nobody an unknown account would answer in a fiftieth of the time. The bounds leave room for
    // a busy machine: five standard errors of the rank sum, and a quarter between the medians.
    assert!(a > 0.004, "the production cost takes longer than {a} s");
    assert!((a / b - 1.0).abs() < 0.25, "medians of {a} s and {b} s");
    assert!(rank_score(&known, &unknown).abs() < 5.0, "ranks differ: {known:?} {unknown:?}");
}

#[actix_web::test]
async fn login_guessed_a_thousand_times_is_throttled_and_says_so() {
    let app = limited(10, 100_000, false).await;
    let (actor, other) = (app.actor("Runa").await, app.actor("Stina").await);
    for email in [actor.email.as_str(), UNKNOWN] {
        let begun = Instant::now();
        let mut tried = 0;
        for batch in 0..10 {
            let guesses: Vec<String> = (0..100).map(|n| format!("guess {batch} {n}")).collect();
            let replies = join_all(guesses.iter().map(|guess| try_login(&app.http, email, guess))).await;
            for reply in replies {
                if reply.status == 401 {
                    tried += 1;
                    continue;
                }
                let _ = reply.problem("rate-limited");
                let wait: u64 = reply.header("retry-after").parse().unwrap();
                assert!((1..=60).contains(&wait), "{wait}");
                // draft-ietf-httpapi-ratelimit-headers: a list of named items with parameters.
                assert_eq!(reply.header("ratelimit-policy"), "\"login-account\";q=10;w=60");
                assert_eq!(reply.header("ratelimit"), format!("\"login-account\";r=0;t={wait}"));
            }
        }
        // Ten at once, and one more for every six seconds that it took.
        let most = 11 + begun.elapsed().as_secs() / 6;
        assert!((10..=most).contains(&tried), "{tried} of 1000 guesses were looked at");
    }
    // The right password waits as well, right after a guess that had to; another account does not.
    while try_login(&app.http, &actor.email, "another guess").await.status == 401 {}
    let _ = try_login(&app.http, &actor.email, PASSWORD).await.problem("rate-limited");
    let _ = try_login(&app.http, &other.email, PASSWORD).await.expect(201);
}

#[actix_web::test]
async fn login_throttled_is_let_in_again_after_the_wait() {
    let app = limited(120, 100_000, false).await;
    let actor = app.actor("Runa").await;
    let guesses = join_all((0..200).map(|_| try_login(&app.http, &actor.email, "guess"))).await;
    assert!(guesses.iter().any(|reply| reply.status == 429));
    let begun = Instant::now();
    while try_login(&app.http, &actor.email, PASSWORD).await.status == 429 {
        assert!(begun.elapsed() < Duration::from_secs(20), "no lock-out is for good");
        tokio::time::sleep(Duration::from_millis(300)).await;
    }
}

#[actix_web::test]
async fn login_from_one_address_to_many_accounts_is_throttled() {
    let app = limited(100_000, 20, false).await;
    let mut statuses = Vec::new();
    for at in 0..40 {
        // What somebody says about an address counts for nothing without a proxy.
        let call = app
            .http
            .posting("/v1/sessions", &json!({"email": format!("r{at}@example.org"), "password": "guess"}));
        statuses.push(call.header("X-Forwarded-For", &format!("192.0.2.{at}")).send().await.status);
    }
    let tried = statuses.iter().filter(|status| **status == 401).count();
    assert!((20..=24).contains(&tried), "{statuses:?}");
    for reply in [
        refresh(&app.http, "tbr_x", new_id()).await,
        app.http
            .post(
                "/v1/accounts",
                &json!({"email": "a@example.org", "password": PASSWORD, "name": "A",
            "invitation": "x"}),
            )
            .await,
    ] {
        let _ = reply.problem("rate-limited");
    }
}

#[actix_web::test]
async fn login_behind_a_proxy_counts_the_address_that_the_proxy_adds() {
    let app = limited(100_000, 10, true).await;
    let guess = |forwarded: String| {
        let body = json!({"email": format!("{}@example.org", new_id()), "password": "guess"});
        app.http.posting("/v1/sessions", &body).header("X-Forwarded-For", &forwarded).send()
    };
    let mut statuses = Vec::new();
    for at in 0..30 {
        // Whoever asks can say anything before it.
        statuses.push(guess(format!("192.0.2.{at}, 198.51.100.7")).await.status);
    }
    let tried = statuses.iter().filter(|status| **status == 401).count();
    assert!((10..=14).contains(&tried), "{statuses:?}");
    assert_eq!(guess("192.0.2.1, 198.51.100.8".into()).await.status, 401, "another address is not held up");
}

#[test]
fn login_sixty_at_once_hash_no_more_than_the_cores_together() {
    let place = Place::new(env!("CARGO_BIN_EXE_tarebook-under-test"));
    let service = place.serve();
    let before = service.peak_memory();
    let statuses: Vec<u16> = actix_web::rt::System::new().block_on(async {
        let emails: Vec<String> = (0..60).map(|at| format!("r{at}@example.org")).collect();
        join_all(emails.iter().map(|email| try_login(&service.http, email, "guess")))
            .await
            .iter()
            .map(|reply| reply.status)
            .collect()
    });
    assert!(statuses.iter().filter(|status| **status == 401).count() >= 59, "{statuses:?}");
    let grown = service.peak_memory() - before;
    // Each hash takes 19 MiB: sixty at once would be 1140 MiB. One for each core, and as much again for the rest.
    let cores = std::thread::available_parallelism().unwrap().get() as u64;
    let bound = (cores * 19 + 19 * 8) << 20;
    assert!(grown < bound, "{} MiB for 60 logins", grown >> 20);
    let _ = service.stop();
}
