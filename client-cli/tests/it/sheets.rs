//! Rule sheets: taking them in, showing them, their changes, and copies of a club's.

use client_cli::error::Kind;

use crate::devices::{Device, fixture};
use crate::loadout_kit::SHEET;
use crate::loadout_kit::has;

#[test]
fn import_the_same_sheet_again_changes_nothing_and_a_new_edition_is_another_sheet() {
    let device = Device::with_kit();
    let file = device.file("sheet.toml", SHEET);
    let file = file.to_str().unwrap();
    assert!(
        device
            .run(&["sheet", "import", file])
            .well()
            .err
            .contains("Race A, 2026: 5 rules; saved on this device")
    );
    assert!(device.run(&["sheet", "import", file]).well().err.contains("it was so already"));
    std::fs::write(file, SHEET.replace("value = 10000", "value = 8000")).unwrap();
    assert!(device.run(&["sheet", "import", file]).well().err.contains("brought up to date: 1 change"));
    std::fs::write(file, SHEET.replace("2026", "2027").replace("value = 200", "value = 250")).unwrap();
    let next = device.run(&["sheet", "import", file]).well().err;
    assert!(next.contains("tare sheet diff \"Race A, 2026\" \"Race A, 2027\""), "{next}");
    let list = device.run(&["sheet", "list", "--json"]).well().json();
    assert_eq!(list["sheets"].as_array().unwrap().len(), 2);
    let diff = device.run(&["sheet", "diff", "2026", "2027"]).well().out;
    has(&diff, &["from Race A, 2026 to Race A, 2027: 2 changes", "luminous flux >= 250 lm"]);
}

#[test]
fn import_json_and_toml_of_one_sheet_are_the_same() {
    let device = Device::with_kit();
    device.run(&["sheet", "import", &fixture("rules/race_a.json")]).well();
    let again = device.run(&["sheet", "import", &fixture("rules/race_a.toml")]).well();
    assert!(again.err.contains("it was so already"), "{}", again.err);
}

#[test]
fn import_a_file_that_is_wrong_names_every_place_and_stores_nothing() {
    let device = Device::with_kit();
    let broken = device.file("broken.json", "{\n  \"name\": \"A\",\n  \"rules\": [}\n");
    let ran = device.run(&["sheet", "import", broken.to_str().unwrap()]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("line 3, column 13"), "{}", ran.err);
    let two = SHEET.replace("head_mm", "head").replace("\"lumens\", op = \">=\"", "\"lumens\", op = \">\"");
    let wrong = device.file("wrong.toml", &two);
    let ran = device.run(&["sheet", "import", wrong.to_str().unwrap()]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("line ") && ran.err.contains("column "), "{}", ran.err);
    let missing = device.run(&["sheet", "import", "nowhere.toml"]);
    assert_eq!(missing.code, Kind::Usage.exit_code());
    assert!(missing.err.contains("nowhere.toml cannot be read"), "{}", missing.err);
    assert_eq!(device.run(&["sheet", "list", "--json"]).well().json()["sheets"], serde_json::json!([]));
}

#[test]
fn import_two_wrong_rules_are_both_named_with_their_lines() {
    let device = Device::with_kit();
    let wrong = SHEET.replace("\"head_mm\"", "\"head\"").replace("\"lumens\"", "\"lumen\"");
    let file = device.file("wrong.toml", &wrong);
    let ran = device.run(&["sheet", "import", file.to_str().unwrap()]);
    assert!(ran.err.contains("2 things to mend"), "{}", ran.err);
    assert!(ran.err.contains("line 13, ") && ran.err.contains("line 33, "), "{}", ran.err);
    assert!(
        ran.err.contains("head_mm") && ran.err.contains("lumens"),
        "the near names are told: {}",
        ran.err
    );
}

#[test]
fn show_each_rule_in_words_with_the_organisers_wording() {
    let device = Device::with_race();
    let shown = device.run(&["sheet", "show"]).well().out;
    assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
    has(
        &shown,
        &[
            "Race A, 2026: 5 rules",
            "  1  Waterproof jacket",
            "hydrostatic head >= 10,000 mm",
            "\"A jacket with at least 10,000 mm, taped seams and a hood.\"",
            "Food in reserve (at all times)",
            "when the organiser switches on `cold`",
            "The organiser's wording alone counts.",
        ],
    );
    let schema = device.run(&["sheet", "schema"]).well().json();
    assert_eq!(schema["title"], "Rule sheet");
    let attributes = device.run(&["sheet", "attributes"]).well().out;
    assert!(attributes.contains("head_mm\tmm\tthe item\thydrostatic head"), "{attributes}");
}

#[test]
fn copy_a_clubs_sheet_keeps_where_it_came_from_and_follows_it() {
    let device = Device::with_kit();
    device.run(&["kitroom", "new", "Club A", "--club"]).well();
    let file = device.file("sheet.toml", SHEET);
    let club = ["--kitroom", "Club A"];
    device.run(&[&["sheet", "import", file.to_str().unwrap()][..], &club].concat()).well();
    let copy = ["sheet", "copy", "Race A", "--from", "Club A", "--kitroom", "Runner A"];
    assert!(device.run(&copy).well().err.contains("copied; saved on this device"));
    assert!(device.run(&copy).well().err.contains("here already, the same"));
    std::fs::write(&file, SHEET.replace("value = 10000", "value = 8000")).unwrap();
    device.run(&[&["sheet", "import", file.to_str().unwrap()][..], &club].concat()).well();
    assert!(device.run(&copy).well().err.contains("brought up to date"));
    let shown = device.run(&["sheet", "show", "--json", "--kitroom", "Runner A"]).well().json();
    assert!(shown["copied_from"]["id"].is_string() && shown["copied_from"]["at"].is_string(), "{shown}");
    let own = device.run(&["sheet", "copy", "Race A", "--from", "Club A", "--kitroom", "Club A"]);
    assert_eq!(own.code, Kind::Usage.exit_code());
}
