//! A club's item in a runner's own loadout.

use serde_json::{Value, json};
use system_tests::harness::actors::Actor;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, loadout, loadout_entry, race, rule_sheet, weighing};
use system_tests::harness::client::Method;
use uuid::Uuid;

use super::scene::grams;

/// The own kitroom of somebody, with a race and a loadout in it.
async fn own(actor: &Actor) -> (String, Uuid) {
    let room = json!({"name": "own kit", "purpose": "personal"});
    let room = actor.post("/v1/kitrooms", &room).await.expect(201).id();
    let at = format!("/v1/kitrooms/{room}");
    let sheet = actor.post(&format!("{at}/rule-sheets"), &rule_sheet("kit")).await.expect(201).id();
    let body = race("long one").with("rule_sheet_id", sheet.to_string());
    let race = actor.post(&format!("{at}/races"), &body).await.expect(201).id();
    let body = loadout("light").with("race_id", race.to_string());
    (at.clone(), actor.post(&format!("{at}/loadouts"), &body).await.expect(201).id())
}

async fn verdict_of_the_whistle(actor: &Actor, at: &str, loadout: Uuid) -> Value {
    let view = actor.get(&format!("{at}/loadouts/{loadout}/verdicts")).await.expect(200);
    view["verdicts"].as_array().unwrap().iter().find(|one| one["rule_id"] == "whistle").unwrap().clone()
}

#[actix_web::test]
async fn entry_of_a_club_s_item_counts_as_seen_until_the_membership_ends() {
    let app = TestApp::start().await;
    let club = app.kitroom().await;
    let whistle = json!({"name": "club whistle", "kind": "whistle"});
    let whistle = club.keeper.post(&club.path("items"), &whistle).await.expect(201).id();
    let _ = club.member.post(&club.path("weighings"), &weighing(whistle, 12.0)).await.expect(201);
    let seen = club.member.get(&club.path(&format!("items/{whistle}/seen"))).await.expect(200);
    assert_eq!((seen["mass"]["mass_g"].as_f64(), seen["item"].text("name")), (Some(12.0), "club whistle"));

    let (at, loadout) = own(&club.member).await;
    let entry = loadout_entry(whistle).with("item_kitroom_id", club.id.to_string()).with("seen", seen);
    let line = club.member.post(&format!("{at}/loadouts/{loadout}/entries"), &entry).await;
    let (line_etag, line) = (line.etag(), line.expect(201).id());
    let mass = club.member.get(&format!("{at}/loadouts/{loadout}/mass")).await.expect(200);
    assert_eq!(grams(&mass["total_start_g"]), 12.0);
    assert_eq!(verdict_of_the_whistle(&club.member, &at, loadout).await.text("verdict"), "met");

    // What the club changes since is not read: only what was seen.
    let item = club.keeper.get(&club.path(&format!("items/{whistle}"))).await;
    let label = json!({"label_mass_g": 500, "name": "renamed"});
    let _ = club
        .keeper
        .patching(&club.path(&format!("items/{whistle}")), &item.etag(), &label)
        .send()
        .await
        .expect(200);
    let _ = club
        .member
        .post(&club.path("weighings"), &weighing(whistle, 50.0).with("observed_at", "2026-06-01T00:00:00Z"))
        .await
        .expect(201);
    let mass = club.member.get(&format!("{at}/loadouts/{loadout}/mass")).await.expect(200);
    assert_eq!(grams(&mass["total_start_g"]), 12.0);

    let owner = app.log_in(&club.owner).await;
    let gone =
        owner.call(Method::DELETE, &club.path(&format!("members/{}", club.member.account))).send().await;
    assert_eq!(gone.status, 204);
    let verdict = verdict_of_the_whistle(&club.member, &at, loadout).await;
    assert_eq!(verdict.text("verdict"), "not_shown", "{verdict}");
    let _ = club.member.get(&club.path(&format!("items/{whistle}/seen"))).await.problem("not-found");

    // No longer a member: no new line of its items, none renewed, and the answer is that of a kitroom that is not there.
    let lines = format!("{at}/loadouts/{loadout}/entries");
    for kitroom in [club.id, Uuid::now_v7()] {
        let entry = entry.clone().with("item_kitroom_id", kitroom.to_string());
        let refused = club.member.post(&lines, &entry).await.problem("validation-failed");
        assert_eq!(refused["errors"][0]["pointer"], "/item_kitroom_id", "{refused}");
        assert_eq!(refused["errors"][0]["code"], "no-such-record");
    }
    let renewed = entry["seen"].clone().with("seen_at", "2026-06-02T00:00:00Z");
    let change = |body: Value| club.member.patching(&format!("{lines}/{line}"), &line_etag, &body);
    let refused = change(json!({"seen": renewed})).send().await.problem("validation-failed");
    assert_eq!(refused["errors"][0]["pointer"], "/item_kitroom_id", "{refused}");
    // What stands is the runner's own to change and to take out.
    let _ = change(json!({"note": "back to the club"})).send().await.expect(200);
}

#[actix_web::test]
async fn find_lightest_set_takes_from_the_club_what_is_open_to_the_asker() {
    let app = TestApp::start().await;
    let club = app.kitroom().await;
    for (name, kind, grams) in [("club whistle", "whistle", 12.0), ("club shell", "shell_jacket", 300.0)] {
        let body = json!({"name": name, "kind": kind, "label_mass_g": grams, "head_mm": 20000, "head_basis": "label"});
        let body = if kind == "whistle" { body.without("head_mm").without("head_basis") } else { body };
        let _ = club.keeper.post(&club.path("items"), &body).await.expect(201);
    }
    let (at, loadout) = own(&club.member).await;
    let own_whistle = json!({"name": "own whistle", "kind": "whistle", "label_mass_g": 20});
    let _ = club.member.post(&format!("{at}/items"), &own_whistle).await.expect(201);
    let path = format!("{at}/loadouts/{loadout}/lightest-set");
    let alone = club.member.post(&path, &json!({})).await.expect(200);
    assert_eq!((alone.text("status"), &alone["blame"]), ("infeasible", &json!(["shell"])));
    let both = club.member.post(&path, &json!({"candidate_kitroom_ids": [club.id]})).await.expect(200);
    assert_eq!((both.text("status"), &both["mass_g"]), ("proven", &json!(312)), "{both}");
    let entries = both["entries"].as_array().unwrap();
    assert!(entries.iter().all(|entry| entry["item_kitroom_id"] == club.id.to_string()), "{both}");
}
