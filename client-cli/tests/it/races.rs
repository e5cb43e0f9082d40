//! Races: from a file, by questions, their clock, their plan.

use client_cli::error::Kind;

use crate::devices::Device;
use crate::loadout_kit::{RACE, has};

#[test]
fn add_a_file_with_several_things_wrong_names_them_all_with_their_lines() {
    let device = Device::with_kit();
    let wrong = RACE
        .replace("rule_sheet = \"Race A\"", "rule_sheet = \"none\"\nends_at = 2026-03-03T06:00:00\ndayz = 1")
        .replace("distance_km = 30", "distance_km = 0");
    let file = device.file("race.toml", &wrong);
    let ran = device.run(&["race", "add", file.to_str().unwrap()]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    has(
        &ran.err,
        &[
            "4 things to mend",
            "line 7, column 8: dayz: there is no field dayz; did you mean days?",
            "ends_at: the race ends (Tue 3 March 2026, 06:00) before it starts (Wed 4 March 2026, 06:00)",
            "leg 2, distance_km: the leg to Finish has no length",
            "no rule sheet here has none in its name",
        ],
    );
    assert_eq!(device.run(&["race", "list", "--json"]).well().json()["races"], serde_json::json!([]));
}

#[test]
fn add_a_file_that_does_not_parse_names_line_and_column() {
    let device = Device::with_kit();
    let file = device.file("race.json", "{\n \"name\": \"A\"\n \"days\": 2\n}\n");
    let ran = device.run(&["race", "add", file.to_str().unwrap()]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("line 3, column 2"), "{}", ran.err);
}

#[test]
fn show_times_are_those_of_the_races_own_zone() {
    let device = Device::with_race();
    let shown = device.run_at_terminal(&["race", "show"], "").well().out;
    assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
    has(
        &shown,
        &[
            "starts        Wed 4 March 2026, 06:00 (Europe/Paris)",
            "10 h, so it ends on Wed 4 March 2026, 16:00",
            "rule sheet    Race A, 2026, 5 rules",
            "Wed 4 Mar 10:00",
            "in all  50",
        ],
    );
    let stored = device.run(&["race", "show", "--json"]).well().json();
    // Central European time is an hour ahead of UTC in winter (Directive 2000/84/EC).
    assert_eq!(stored["starts_at"], "2026-03-04T05:00:00.000Z");
    assert_eq!(stored["rule_sheet"]["name"], "Race A");
}

#[test]
fn add_by_questions_asks_again_for_what_cannot_be_right() {
    let device = Device::with_kit();
    let answers = "Hill race\nNowhere/Land\nEurope/Paris\n2026-13-01 06:00\n2026-06-01 06:00\nTop\n0\n12\n900\n2:30\nwf\n\n";
    let ran = device.run_at_terminal(&["race", "add"], answers).well();
    for words in
        ["no time zone", "is no time", "must be above 0 km", "Hill race, Mon 1 June 2026, 06:00, 1 leg"]
    {
        assert!(ran.err.contains(words), "{words}: {}", ran.err);
    }
    let race = device.run(&["race", "show", "--json"]).well().json();
    assert_eq!(race["legs"][0]["expected_h"], 2.5);
    assert_eq!(race["legs"][0]["refill"], serde_json::json!({ "water": true, "food": true }));
}

#[test]
fn add_the_same_race_twice_is_refused_with_what_to_do() {
    let device = Device::with_race();
    let file = device.file("race.toml", RACE);
    let ran = device.run(&["race", "add", file.to_str().unwrap()]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("tare race edit \"Race A 2026\" --file FILE"), "{}", ran.err);
    let nobody = device.run(&["race", "add"]);
    assert_eq!(nobody.code, Kind::Usage.exit_code());
}

#[test]
fn edit_start_sheet_and_sets_change_only_what_was_given() {
    let device = Device::with_race();
    let ran = device
        .run(&["race", "edit", "Race A", "--on", "cold", "--on", "hot", "--starts-at", "2026-03-05 07:30"])
        .well();
    assert!(
        ran.err.contains("Thu 5 March 2026, 07:30") && ran.err.contains("switched on: cold, hot"),
        "{}",
        ran.err
    );
    device.run(&["race", "edit", "Race A", "--off", "hot"]).well();
    let race = device.run(&["race", "show", "--json"]).well().json();
    assert_eq!(race["active_sets"], serde_json::json!(["cold"]));
    assert_eq!(race["legs"].as_array().unwrap().len(), 2);
    let nothing = device.run(&["race", "edit", "Race A"]);
    assert_eq!(nothing.code, Kind::Usage.exit_code());
    let unknown = device.run(&["race", "edit", "Race B", "--on", "cold"]);
    assert!(unknown.err.contains("no race here has Race B in its name"), "{}", unknown.err);
}

#[test]
fn plan_with_a_loadout_has_darkness_light_water_and_food() {
    let device = Device::with_loadout();
    let plan = device.run_at_terminal(&["race", "plan"], "").well().out;
    assert!(plan.lines().all(|line| line.chars().count() <= 80), "{plan}");
    has(
        &plan,
        &[
            "Race A 2026, with the loadout Race A 2026",
            "lamp needed",
            "water                400 ml an hour",
            "food                 200 kcal an hour",
            "1 to Hut",
            "100 g more",
        ],
    );
    let json = device.run(&["race", "plan", "Race A", "--json"]).well().json();
    assert!(json["dark_h"]["civil"].as_f64().unwrap() < json["dark_h"]["sun_down"].as_f64().unwrap());
    assert_eq!(json["water"]["legs"].as_array().unwrap().len(), 2);
}

#[test]
fn copy_a_clubs_race_brings_its_sheet_along() {
    let device = Device::with_race();
    device.run(&["kitroom", "new", "Runner B", "--club"]).well();
    let copy = ["race", "copy", "Race A", "--from", "Runner A", "--kitroom", "Runner B"];
    let told = device.run(&copy).well().err;
    let words: Vec<&str> = told.split_whitespace().collect();
    assert!(words.join(" ").contains("its rule sheet: copied"), "{told}");
    let race = device.run(&["race", "show", "--json", "--kitroom", "Runner B"]).well().json();
    assert_eq!(race["rule_sheet"]["name"], "Race A");
    assert!(race["copied_from"]["id"].is_string());
    assert_eq!(device.run(&copy).code, Kind::Refused.exit_code());
}
