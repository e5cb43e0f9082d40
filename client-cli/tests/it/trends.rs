//! Trends of mass and head, and what deserves a look.

use client_cli::error::Kind;
use client_cli::local::Draft;
use domain::kinds;
use serde_json::json;
use uuid::Uuid;

use crate::devices::Device;

/// A device whose shell was weighed in six sittings a month apart, beside a check weight, 2 g heavier each time.
fn heavier() -> Device {
    let device = Device::with_kit();
    for month in 0..6 {
        device.wait_days(30);
        let typed = format!("{}\nshell\n86\ngloves\nq\n", 412 + 2 * month);
        device.run_at_terminal(&["weigh", "--check", "200=200"], &typed).well();
    }
    device
}

#[test]
fn trend_mass_a_steady_gain_is_drawn_and_told() {
    let device = heavier();
    let ran = device.run_at_terminal(&["trend", "mass", "shell"], "").well();
    assert!(ran.out.contains("It became heavier by "), "{}", ran.out);
    assert!(ran.out.contains(" g |") && ran.out.contains('.'), "{}", ran.out);
    assert!(ran.out.lines().all(|line| line.chars().count() <= 80), "{}", ran.out);
    let json = device.run(&["trend", "mass", "shell", "--json"]).well().json();
    let per_year = json["slope"]["per_year_g"].as_f64().unwrap();
    // 2 g in 30 days.
    assert!((per_year - 2.0 * 365.0 / 30.0).abs() < 1.5, "{json}");
    assert!(json["joint"]["per_year_g"].as_f64().unwrap() > 10.0, "{json}");
}

#[test]
fn trend_mass_too_little_is_said_and_no_number_given() {
    let device = Device::with_kit();
    let ran = device.run(&["trend", "mass", "cup"]).well();
    assert!(ran.out.contains("No trend is told below 5 days"), "{}", ran.out);
    device.run(&["item", "add", "compass"]).well();
    let json = device.run(&["trend", "mass", "compass", "--json"]).well().json();
    assert_eq!(json.get("slope"), None);
    assert!(json["refusals"][0].as_str().unwrap().contains("weigh it"), "{json}");
    assert_eq!(device.run(&["trend", "mass", "spoon"]).code, Kind::Refused.exit_code());
}

/// A device whose shell was tested after use, three times.
fn tested() -> Device {
    let device = Device::with_kit();
    device.run(&["item", "edit", "shell", "--head-mm", "20000", "--head-basis", "label"]).well();
    for head in ["19000", "16500", "14200"] {
        device.run(&["log", "use", "shell", "--worn", "50"]).well();
        device.run(&["log", "wash", "shell"]).well();
        device.run(&["log", "head", "shell", head, "--part", "seam", "--rig", "laboratory"]).well();
        device.wait_days(60);
    }
    device
}

#[test]
fn trend_head_a_forecast_has_its_interval_its_tests_and_its_caution() {
    let device = tested();
    let words = ["trend", "head", "shell", "--on", "2026-12-01", "--limit", "10000"];
    let ran = device.run_at_terminal(&words, "").well();
    for words in [
        "shell jacket A on 2026-12-01: ",
        "sure to hold 10,000 mm",
        "It rests on 3 head tests",
        "20,000 mm are claimed for it; only a test is a measurement.",
        "A forecast is not a test",
        "14,200 mm",
    ] {
        assert!(
            ran.out.split_whitespace().collect::<Vec<_>>().join(" ").contains(words),
            "{words}: {}",
            ran.out
        );
    }
    assert!(ran.out.lines().all(|line| line.chars().count() <= 80), "{}", ran.out);
    let json = device.run(&[&words[..], &["--json"]].concat()).well().json();
    let (low, median) = (&json["estimate"]["low_mm"], &json["estimate"]["median_mm"]);
    assert!(low.as_f64().unwrap() < median.as_f64().unwrap(), "{json}");
    assert_eq!(json["used"], json!({ "worn_h": 150.0, "washes": 3.0 }));
}

#[test]
fn trend_head_a_label_alone_predicts_nothing() {
    let device = Device::with_kit();
    device.run(&["item", "edit", "shell", "--head-mm", "20000", "--head-basis", "label"]).well();
    let ran = device.run(&["trend", "head", "shell"]).well();
    assert!(ran.out.contains("a label alone predicts nothing"), "{}", ran.out);
    let json = device.run(&["trend", "head", "shell", "--json"]).well().json();
    assert_eq!((json.get("estimate"), &json["limit_mm"]), (None, &json!(10_000.0)));
    assert_eq!(device.run(&["trend", "head", "shell", "--limit", "0"]).code, Kind::Usage.exit_code());
    assert_eq!(device.run(&["trend", "head", "shell", "--on", "soon"]).code, Kind::Usage.exit_code());
}

#[test]
fn trend_pictures_are_written_as_svg() {
    let device = tested();
    for what in ["mass", "head"] {
        let file = device.home().join(format!("{what}.svg"));
        let name = file.to_str().unwrap();
        let ran = device.run(&["trend", what, "shell", "--svg", name]).well();
        assert!(ran.err.contains("drawn into"), "{}", ran.err);
        let svg = std::fs::read_to_string(&file).unwrap();
        assert!(svg.starts_with("<svg") && svg.trim_end().ends_with("</svg>"), "{svg}");
        assert!(svg.contains("shell jacket A"), "{svg}");
    }
    let ran = device.run(&["trend", "head", "shell", "--svg", "/nowhere/x.svg"]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
}

#[test]
fn attention_names_what_deserves_a_look_and_what_to_do() {
    let device = tested();
    let room = device.room().id;
    let mut store = device.store();
    let [sheet, race, loadout, entry]: [Uuid; 4] = std::array::from_fn(|_| store.new_id());
    let shell = store.find_items(room, "shell").unwrap().remove(0).id;
    let rule = json!({
        "id": "shell", "title": "Shell with a head", "need": "count", "kinds": ["shell_jacket"], "count": 1,
        "where": [{ "attribute": "head_mm", "op": ">=", "value": 18000 }],
    });
    let make = |kind, id, body: serde_json::Value| Draft::make(kind, id, &body).unwrap();
    store
        .act(
            room,
            &[
                make(&kinds::rule_sheet::KIND, sheet, json!({ "name": "Sheet A", "rules": [rule] })),
                make(
                    &kinds::race::KIND,
                    race,
                    json!({ "name": "Race A", "starts_at": "2026-10-03T04:00:00Z", "rule_sheet_id": sheet }),
                ),
                make(&kinds::loadout::KIND, loadout, json!({ "race_id": race, "name": "Race A" })),
                make(
                    &kinds::loadout_entry::KIND,
                    entry,
                    json!({ "loadout_id": loadout, "item_id": shell, "carry_place": "on_body" }),
                ),
            ],
        )
        .unwrap();
    device.run(&["log", "quarantine", "gloves"]).well();
    device.run(&["item", "edit", "cup", "--expires-on", "2026-01-31"]).well();
    let ran = device.run(&["attention"]).well();
    let text = ran.out.split_whitespace().collect::<Vec<_>>().join(" ");
    for words in [
        "shell jacket A for Race A, 2026-10-03",
        "asks for 18,000 mm",
        "gloves It is quarantined. next: Look at it, then clear or retire it.",
        "It expired: its last day was 2026-01-31.",
    ] {
        assert!(text.contains(words), "{words}: {}", ran.out);
    }
    assert!(ran.out.lines().all(|line| line.chars().count() <= 80), "{}", ran.out);
    let json = device.run(&["attention", "--json"]).well().json();
    let reasons: Vec<&str> =
        json["lines"].as_array().unwrap().iter().map(|line| line["reason"].as_str().unwrap()).collect();
    assert!(reasons.contains(&"head_below_limit") && reasons.contains(&"state"), "{json}");
}

#[test]
fn attention_nothing_to_say_is_said() {
    let device = Device::with_kit();
    let ran = device.run(&["attention"]).well();
    assert_eq!((ran.out.as_str(), ran.err.as_str()), ("", "nothing here deserves a look\n"));
    device.wait_days(400);
    assert!(device.run(&["attention"]).well().out.contains("It was last weighed on 2026-03-01"));
}
