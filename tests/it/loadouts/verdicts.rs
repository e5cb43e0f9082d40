use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, loadout};

use super::scene::Scene;

fn verdict<'a>(verdicts: &'a Value, rule: &str) -> &'a Value {
    let all = verdicts["verdicts"].as_array().unwrap();
    all.iter().find(|verdict| verdict["rule_id"] == rule).unwrap_or_else(|| panic!("{rule}: {verdicts}"))
}

#[tokio::test]
async fn get_loadout_verdicts_say_for_each_rule_what_is_used_and_what_is_missing() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let claim = json!({"head_mm": 20000, "head_basis": "label"});
    let shell = scene.item("shell", "shell_jacket", claim).await;
    scene.put(shell, json!({})).await;
    let verdicts = scene.of_loadout("verdicts").await;
    let met = verdict(&verdicts, "shell");
    assert_eq!((met.text("verdict"), met.text("evidence")), ("met", "label"));
    assert_eq!(met["used"], json!([{"item_id": shell, "quantity": 1}]));
    assert_eq!(verdict(&verdicts, "whistle").text("verdict"), "not_met");
    assert_eq!(verdicts["counts"], json!({"met": 1, "not_met": 1, "not_shown": 0, "not_applicable": 0}));
    assert!(verdicts.text("caution").contains("organiser"), "{verdicts}");

    // A test that water came through goes before what the label claims.
    let test = json!({"item_id": shell, "event": "head_test", "head_mm": 6000, "relation": "=",
        "observed_at": "2026-06-01T10:00:00Z"});
    let _ = scene.kit.member.post(&scene.kit.path("log-entries"), &test).await.expect(201);
    let verdicts = scene.of_loadout("verdicts").await;
    assert_ne!(verdict(&verdicts, "shell").text("verdict"), "met", "{verdicts}");
    let before = scene.of_loadout("verdicts?as_of=2026-05-01T00:00:00Z").await;
    assert_eq!(verdict(&before, "shell").text("verdict"), "met");
}

#[tokio::test]
async fn get_loadout_verdicts_count_use_since_a_test_and_what_replaces_one() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let shell = scene.item("shell", "shell_jacket", json!({"head_mm": 20000, "head_basis": "label"})).await;
    scene.put(shell, json!({})).await;
    let log = async |entry: Value| {
        let entry = entry.with("item_id", shell.to_string());
        scene.kit.member.post(&scene.kit.path("log-entries"), &entry).await.expect(201).id()
    };
    let head = async || {
        let verdicts = scene.of_loadout("verdicts").await;
        let shell = verdict(&verdicts, "shell").clone();
        (shell.text("evidence").to_owned(), shell["value"].clone())
    };
    let worn = json!({"event": "use", "worn_h": 60, "observed_at": "2026-06-05T10:00:00Z"});
    let used = log(worn).await;
    assert_eq!(head().await, ("label".to_owned(), json!(20000)), "use alone makes no prediction");
    let test = json!({"event": "head_test", "head_mm": 18000, "relation": "=", "rate_cm_min": 60,
        "observed_at": "2026-06-01T10:00:00Z"});
    let tested = log(test).await;
    let (evidence, worn) = head().await;
    assert_eq!(evidence, "predicted", "sixty hours after the test");
    assert!(worn.as_f64().unwrap() < 18000.0, "{worn}");
    // Nobody wore it after all; then the test was none, but a use.
    let washed =
        json!({"event": "wash", "observed_at": "2026-05-01T10:00:00Z", "supersedes_id": used.to_string()});
    let _ = log(washed).await;
    assert_eq!(head().await, ("measured".to_owned(), json!(18000)));
    let other = json!({"event": "use", "worn_h": 1, "observed_at": "2026-06-01T10:00:00Z", "supersedes_id": tested.to_string()});
    let _ = log(other).await;
    assert_eq!(head().await, ("label".to_owned(), json!(20000)));
}

#[tokio::test]
async fn get_loadout_verdicts_of_what_may_not_be_used_are_not_met() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let whistle = scene.item("whistle", "whistle", json!({})).await;
    scene.put(whistle, json!({})).await;
    assert_eq!(verdict(&scene.of_loadout("verdicts").await, "whistle").text("verdict"), "met");
    let quarantine = json!({"item_id": whistle, "event": "quarantine"});
    let _ = scene.kit.member.post(&scene.kit.path("log-entries"), &quarantine).await.expect(201);
    let verdicts = scene.of_loadout("verdicts").await;
    assert_eq!(verdict(&verdicts, "whistle").text("verdict"), "not_met", "{verdicts}");
    assert_eq!(verdicts["findings"][0]["code"], "not_serviceable");
}

#[tokio::test]
async fn get_loadout_verdicts_without_a_race_or_a_sheet_are_none_and_say_why() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let kit = &scene.kit;
    let without = kit.member.post(&kit.path("loadouts"), &loadout("no race")).await.expect(201).id();
    let verdicts = kit.viewer.get(&kit.path(&format!("loadouts/{without}/verdicts"))).await.expect(200);
    assert_eq!((&verdicts["verdicts"], &verdicts["rule_sheet"]), (&json!([]), &Value::Null));
    assert_eq!(verdicts["findings"][0]["code"], "no_race");
    let path = kit.path(&format!("loadouts/{without}/lightest-set"));
    let problem = app.refuses(kit.member.posting(&path, &json!({})), "conflict").await;
    assert!(problem.text("detail").contains("race"), "{problem}");
}
