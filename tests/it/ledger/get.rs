use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, loadout, new_id, race, season};
use uuid::Uuid;

/// A thing of a sealed loadout: its item, its name, its mass and its uncertainty in grams.
type Thing<'a> = (Uuid, &'a str, f64, f64);

/// A loadout for a race that starts then, sealed with these things.
async fn sealed(kit: &Kitroom, name: &str, starts_at: &str, things: &[Thing<'_>]) -> Uuid {
    let body = race(name).with("starts_at", starts_at);
    let race = kit.keeper.post(&kit.path("races"), &body).await.expect(201).id();
    let body = loadout(name).with("race_id", race.to_string());
    let made = kit.member.post(&kit.path("loadouts"), &body).await.expect(201).id();
    let entries: Vec<Value> = things
        .iter()
        .map(|(item, name, grams, u)| {
            json!({"entry_id": new_id(), "item_id": item, "name": name, "kind": "shell_jacket", "quantity": 1,
                "carry_place": "stowed", "unit_mass_g": grams, "unit_mass_u_g": u, "mass_basis": "measured",
                "mass_n": 3, "last_weighed_at": starts_at})
        })
        .collect();
    let total = json!({"value_g": things.iter().map(|thing| thing.2).sum::<f64>()});
    let seal = json!({"loadout_id": made, "observed_at": starts_at, "snapshot": {"taken_at": starts_at,
        "entries": entries, "carried": {"start_g": total, "max_g": total}, "total_start_g": total}});
    let _ = kit.member.post(&kit.path("seals"), &seal).await.expect(201);
    made
}

#[tokio::test]
async fn get_ledger_of_two_sealed_loadouts_adds_up_to_the_milligram() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let (old, new, vest) = (new_id(), new_id(), new_id());
    let things = [(old, "shell A", 412.345, 0.5), (vest, "vest", 250.111, 0.4)];
    let from = sealed(&kit, "first", "2025-08-28T16:00:00Z", &things).await;
    let things = [(new, "shell B", 290.5, 0.5), (vest, "vest", 252.004, 0.4)];
    let to = sealed(&kit, "second", "2026-03-02T16:00:00Z", &things).await;
    let path = kit.path(&format!("ledger?from={from}&to={to}"));
    let view = kit.viewer.get(&path).await.expect(200);
    assert_eq!(view["change_g"], -119.952);
    assert_eq!(view["unexplained_g"], 0);
    let parts: Vec<(&str, f64)> = view["parts"]
        .as_array()
        .unwrap()
        .iter()
        .map(|part| (part.text("part"), part["change_g"].as_f64().unwrap()))
        .filter(|(_, change)| *change != 0.0)
        .collect();
    assert_eq!(parts, [("swapped", -121.845), ("heavier_or_lighter", 1.893)]);
    assert!(view["sentences"].as_array().is_some_and(|all| !all.is_empty()), "{view}");

    let picture = kit.viewer.get(&path.replace("ledger?", "ledger.svg?")).await;
    assert_eq!((picture.status, picture.header("content-type")), (200, "image/svg+xml"));
    assert!(picture.text().starts_with("<svg") && picture.text().contains("shell B"), "{}", picture.text());
}

#[tokio::test]
async fn get_ledger_of_two_seasons_takes_each_race_by_the_day_of_its_own_zone() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = new_id();
    // In Paris it is the first of January already.
    for (name, at, grams) in [
        ("summer", "2025-07-01T04:00:00Z", 412.0),
        ("new year's eve", "2025-12-31T22:59:59Z", 414.0),
        ("new year", "2025-12-31T23:00:00Z", 400.0),
        ("spring", "2026-04-01T04:00:00Z", 402.0),
        ("between", "2024-12-31T04:00:00Z", 999.0),
    ] {
        sealed(&kit, name, at, &[(shell, "shell", grams, 0.5)]).await;
    }
    let old = season("2025").with("from_on", "2025-01-01").with("to_on", "2025-12-31");
    let old = kit.keeper.post(&kit.path("seasons"), &old).await.expect(201).id();
    let new = kit.keeper.post(&kit.path("seasons"), &season("2026")).await.expect(201).id();
    let view = kit.viewer.get(&kit.path(&format!("ledger?from={old}&to={new}"))).await.expect(200);
    let races = |side: &str| {
        let races = view[side]["races"].as_array().unwrap();
        races.iter().map(|race| race.text("name").to_owned()).collect::<Vec<_>>()
    };
    assert_eq!(
        (races("from"), races("to")),
        (
            vec!["summer".to_owned(), "new year's eve".to_owned()],
            vec!["new year".to_owned(), "spring".to_owned()],
        )
    );
    assert_eq!(
        (&view["from"]["known_g"], &view["to"]["known_g"], &view["change_g"]),
        (&json!(413), &json!(401), &json!(-12))
    );
}

#[tokio::test]
async fn get_ledger_of_what_is_not_sealed_or_not_there_says_which_side() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let other = app.kitroom().await;
    let made = sealed(&kit, "first", "2025-08-28T16:00:00Z", &[(new_id(), "shell", 412.0, 0.5)]).await;
    let foreign = sealed(&other, "first", "2025-08-28T16:00:00Z", &[(new_id(), "shell", 412.0, 0.5)]).await;
    let draft = kit.member.post(&kit.path("loadouts"), &loadout("draft")).await.expect(201).id();
    let empty = kit
        .keeper
        .post(&kit.path("seasons"), &season("2031").with("from_on", "2031-01-01").with("to_on", "2031-12-31"))
        .await
        .expect(201)
        .id();
    for (query, pointer, code) in [
        (format!("from={made}&to={draft}"), "?to", "not-sealed"),
        (format!("from={empty}&to={made}"), "?from", "not-sealed"),
        (format!("from={made}&to={}", new_id()), "?to", "unknown"),
        (format!("from={foreign}&to={made}"), "?from", "unknown"),
        (format!("from=first&to={made}"), "?from", "invalid"),
        (format!("from={made}&to={made}&scope=all"), "?scope", "invalid"),
        (format!("from={made}"), "?to", "missing"),
    ] {
        let problem =
            kit.viewer.get(&kit.path(&format!("ledger?{query}"))).await.problem("validation-failed");
        let error = &problem["errors"][0];
        assert_eq!((error.text("pointer"), error.text("code")), (pointer, code), "{problem}");
    }
}
