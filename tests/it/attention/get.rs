use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{
    With, gels, item, loadout, loadout_entry, race, rule_sheet, stock_entry,
};

#[tokio::test]
async fn get_attention_of_an_empty_kitroom_is_empty() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    assert_eq!(kit.viewer.get(&kit.path("attention")).await.expect(200)["lines"], json!([]));
}

#[tokio::test]
async fn get_attention_names_what_presses_before_a_race_and_what_to_do() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = item("shell").with("expires_on", "2026-08-01");
    let shell = kit.keeper.post(&kit.path("items"), &shell).await.expect(201).id();
    let gel = kit.keeper.post(&kit.path("items"), &gels("gel")).await.expect(201).id();
    let _ =
        kit.member.post(&kit.path("stock-entries"), &stock_entry(gel).with("change", 3)).await.expect(201);
    let sheet = kit.keeper.post(&kit.path("rule-sheets"), &rule_sheet("kit")).await.expect(201).id();
    let soon =
        race("long one").with("rule_sheet_id", sheet.to_string()).with("starts_at", "2036-08-28T16:00:00Z");
    let race = kit.keeper.post(&kit.path("races"), &soon).await.expect(201).id();
    let body = loadout("light").with("race_id", race.to_string());
    let made = kit.member.post(&kit.path("loadouts"), &body).await.expect(201).id();
    let path = kit.path(&format!("loadouts/{made}/entries"));
    let _ = kit.member.post(&path, &loadout_entry(shell)).await.expect(201);
    let _ = kit.member.post(&path, &loadout_entry(gel).with("quantity", 8)).await.expect(201);
    let quarantine = json!({"item_id": shell, "event": "quarantine"});
    let _ = kit.member.post(&kit.path("log-entries"), &quarantine).await.expect(201);

    let view = kit.viewer.get(&kit.path("attention")).await.expect(200);
    let lines = view["lines"].as_array().unwrap();
    for (reason, about) in [
        ("not_usable", shell),
        ("head_not_tested", shell),
        ("expires_before_race", shell),
        ("stock_short", gel),
    ] {
        let found = lines.iter().find(|line| line["reason"] == reason && line["about"]["id"] == json!(about));
        let line = found.unwrap_or_else(|| panic!("no {reason}: {view}"));
        assert_eq!(line["race"]["id"], json!(race), "{line}");
        assert!(line.text("text").len() > 10 && line.text("next").len() > 5, "{line}");
    }
}
