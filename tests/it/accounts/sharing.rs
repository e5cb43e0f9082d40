//! Sharing a kitroom from the command line: the client as it is, against the service as it is.

use chrono::TimeDelta;
use serde_json::Value;
use system_tests::harness::app::TestApp;
use system_tests::harness::tare::Tare;

fn names(listed: &Value) -> Vec<(String, String)> {
    let text = |member: &Value, name: &str| member[name].as_str().unwrap().to_owned();
    listed["members"].as_array().unwrap().iter().map(|m| (text(m, "name"), text(m, "role"))).collect()
}

#[actix_web::test]
async fn kitroom_shared_with_a_coach_who_looks_then_helps_then_leaves() {
    let app = TestApp::start().await;
    let (runa, cleo) = (app.actor("Runa").await, app.actor("Cleo").await);
    let (one, two) = (Tare::link(&app, &runa).await, Tare::link(&app, &cleo).await);
    one.run(&["kitroom", "new", "Hill Club", "--club"], "").await.well();
    one.run(&["weigh", "shell", "412", "--new", "--reads-to", "1"], "").await.well();
    let early = one.run(&["kitroom", "invite"], "").await;
    assert!(
        early.code == 1 && early.err.contains("tare sync"),
        "it is not on the service yet: {}",
        early.err
    );
    one.run(&["sync"], "").await.well();

    // The secret stands alone on standard output, so that it can be piped on; the words are for the person.
    let invited = one.run(&["kitroom", "invite", "--role", "viewer", "--note", "Cleo"], "").await.well();
    let secret = invited.out.trim().to_owned();
    assert!(api::platform::token::is_well_formed("tbi_", &secret), "{secret}");
    assert!(
        invited.err.contains("one person") && invited.err.contains("tare kitroom join"),
        "{}",
        invited.err
    );
    assert!(!invited.err.contains(&secret), "the secret is data");

    let joined = two.run(&["kitroom", "join"], &format!("{secret}\n")).await.well();
    assert!(joined.err.contains("you are a viewer of Hill Club now"), "{}", joined.err);
    assert!(!joined.err.contains(&secret) && !joined.out.contains(&secret));
    assert!(two.run(&["item", "list"], "").await.well().out.contains("shell"));
    let again = Tare::link(&app, &app.actor("Udo").await).await.run(&["kitroom", "join"], &secret).await;
    assert!(again.code == 1 && again.err.contains("ask whoever invited you"), "{}", again.err);

    let listed = one.run(&["kitroom", "members", "--json"], "").await.well().json();
    let pair = |name: &str, role: &str| (name.to_owned(), role.to_owned());
    assert_eq!(names(&listed), [pair("Runa", "owner"), pair("Cleo", "viewer")]);
    let refused = two.run(&["kitroom", "invite"], "").await;
    assert!(refused.code == 1 && refused.err.contains("owner"), "{}", refused.err);

    let changed = one.run(&["kitroom", "members", "role", "cle", "keeper"], "").await.well();
    assert!(changed.err.contains("Cleo is a keeper of Hill Club now"), "{}", changed.err);
    two.run(&["sync"], "").await.well();
    two.run(&["item", "edit", "shell", "--size", "M"], "").await.well();
    two.run(&["sync"], "").await.well();
    let size: String = app.scalar("select body->>'size' from items").await;
    assert_eq!(size, "M");

    one.run(&["kitroom", "members", "remove", "Cleo"], "").await.well();
    two.run(&["sync"], "").await;
    assert!(
        !two.run(&["kitroom", "list"], "").await.well().out.contains("Hill Club"),
        "purged from her device"
    );
    let last = one.run(&["kitroom", "members", "remove", "Runa"], "").await;
    assert!(last.code == 1 && last.err.contains("owner"), "{}", last.err);
    for (args, words) in [
        (["kitroom", "members", "role", "Runa", "owner"].as_slice(), "a device cannot make an owner"),
        (&["kitroom", "invite", "--role", "captain"], "is none of viewer, member, keeper"),
        (&["kitroom", "join", "tbi_secret"], "unexpected argument"),
    ] {
        let refused = one.run(args, "").await;
        assert!(refused.code == 2 && refused.err.contains(words), "{args:?}: {}", refused.err);
    }
    assert_eq!(one.run(&["kitroom", "members", "remove", "Nobody"], "").await.code, 1);
    assert_eq!(two.run(&["kitroom", "join"], "\n").await.code, 2);
}

#[actix_web::test]
async fn sync_after_five_days_and_after_a_year_offline_needs_no_login() {
    let app = TestApp::start().await;
    let actor = app.actor("Runa").await;
    let device = Tare::link(&app, &actor).await;
    device.run(&["kitroom", "new", "Runa"], "").await.well();
    for days in [5, 365] {
        device.run(&["weigh", &format!("item {days}"), "100", "--new", "--reads-to", "1"], "").await.well();
        app.clock.advance(TimeDelta::days(days));
        device.run(&["sync"], "").await.well();
    }
    assert_eq!(app.count("weighings").await, 2);
}

#[actix_web::test]
async fn sync_with_a_token_that_was_revoked_loses_nothing() {
    let app = TestApp::start().await;
    let actor = app.actor("Runa").await;
    let device = Tare::link(&app, &actor).await;
    device.run(&["kitroom", "new", "Runa"], "").await.well();
    device.run(&["weigh", "shell", "412", "--new", "--reads-to", "1"], "").await.well();
    let (_, access) = app.open_session(actor.account).await;
    let http = app.http.with_token(&access);
    let tokens = http.get("/v1/device-tokens").await.expect(200);
    let path = format!("/v1/device-tokens/{}", tokens["items"][0]["id"].as_str().unwrap());
    assert_eq!(http.call("DELETE".parse().unwrap(), &path).send().await.status, 204);
    let refused = device.run(&["sync"], "").await;
    assert_eq!(refused.code, 1, "{}", refused.err);
    assert!(refused.err.contains("log in again") && refused.err.contains("safe"), "{}", refused.err);
    // Linked again, all of it goes.
    let made = http.post("/v1/device-tokens", &serde_json::json!({"name": "again"})).await.expect(201);
    device.link_with(app.http.base(), made["token"].as_str().unwrap()).await;
    assert_eq!(app.count("weighings").await, 1);
}
