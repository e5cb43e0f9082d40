//! Loadouts: packing, judging, the lightest set, comparing.

use client_cli::error::Kind;
use serde_json::json;

use crate::devices::Device;
use crate::loadout_kit::has;

fn narrow(text: &str) {
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn put_places_numbers_and_pockets_are_understood_and_each_change_ends_with_the_sum() {
    let device = Device::with_race();
    device.run(&["loadout", "new", "Race A"]).well();
    let ran = device.run(&["loadout", "put", "vest, shell jacket @back, 10 gel @Front left, poles @hand"]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("no item here has poles"), "{}", ran.err);
    let empty = device.run(&["loadout", "show", "--json"]).well().json();
    assert_eq!(empty["entries"], json!([]), "all or nothing");
    let ran = device.run(&["loadout", "put", "vest, shell jacket @back, 10 gel @Front left"]).well();
    has(
        &ran.err,
        &[
            "vest: on the body",
            "shell jacket A: in back",
            "10 gel: in front-left",
            "Race A 2026: carried at the start 862",
            "first NOT MET: Gloves",
        ],
    );
    let shown = device.run(&["loadout", "show", "--json"]).well().json();
    // 412 g of the shell and ten gels of 45 g; the vest is worn.
    assert_eq!(shown["mass"]["carried"]["start_g"]["value_g"], 862.0);
    assert_eq!(shown["mass"]["total_start_g"]["value_g"], 1142.0);
    assert!(shown["mass"]["carried"]["start_g"]["u_g"].as_f64().unwrap() > 0.5);
}

#[test]
fn put_again_moves_one_thing_and_adds_units_and_remembers_the_place() {
    let device = Device::with_loadout();
    device.run(&["loadout", "put", "shell jacket @front-left"]).well();
    device.run(&["loadout", "put", "2 gel @front-left"]).well();
    let entries = device.run(&["loadout", "show", "--json"]).well().json()["entries"].clone();
    assert_eq!(entries.as_array().unwrap().len(), 7, "{entries}");
    let gels: Vec<i64> =
        entries.as_array().unwrap().iter().filter_map(|entry| entry["quantity"].as_i64()).collect();
    assert_eq!(gels, [4, 8]);
    device.run(&["loadout", "new", "--name", "walk"]).well();
    let ran = device.run(&["loadout", "put", "vest, shell jacket, cup"]).well();
    assert!(ran.err.contains("shell jacket A: in front-left, as last time"), "{}", ran.err);
    assert!(ran.err.contains("cup: stowed, empty: --fill ML says how much water"), "{}", ran.err);
    assert!(ran.err.contains("walk: carried at the start"), "{}", ran.err);
}

#[test]
fn put_more_than_the_stock_is_said_and_not_refused() {
    let device = Device::with_loadout();
    let ran = device.run(&["loadout", "put", "30 gel @back"]).well();
    assert!(ran.err.contains("! ") && ran.err.contains("stock"), "{}", ran.err);
}

#[test]
fn put_an_unknown_place_names_the_places_there_are() {
    let device = Device::with_loadout();
    let ran = device.run(&["loadout", "put", "cup @hip"]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(
        ran.err.contains("no place is called hip") && ran.err.contains("front-left, back"),
        "{}",
        ran.err
    );
    let ran = device.run(&["loadout", "put", "0 gel"]);
    assert_eq!(ran.code, Kind::Usage.exit_code());
    let several = device.run_at_terminal(&["loadout", "put", "shell @back"], "2\n").well();
    assert!(several.err.contains("several items match shell:"), "{}", several.err);
}

#[test]
fn put_a_clubs_item_keeps_what_was_seen_of_it() {
    let device = Device::with_loadout();
    device.run(&["kitroom", "new", "Club A", "--club"]).well();
    let club = ["--kitroom", "Club A"];
    device.run(&[&["weigh", "club blanket", "62", "--new", "--reads-to", "1"][..], &club].concat()).well();
    let own = ["--kitroom", "Runner A"];
    let put = device.run(&[&["loadout", "put", "club blanket @back"][..], &own].concat()).well();
    assert!(put.err.contains("club blanket of Club A: in back"), "{}", put.err);
    let entries =
        device.run(&[&["loadout", "show", "--json"][..], &own].concat()).well().json()["entries"].clone();
    let seen = &entries.as_array().unwrap().last().unwrap()["seen"];
    assert_eq!(
        (&seen["item"]["name"], seen["mass"]["mass_g"].as_f64()),
        (&json!("club blanket"), Some(62.0)),
        "{seen}"
    );
}

#[test]
fn refresh_looks_anew_at_a_clubs_item_and_a_loadout_without_any_says_so() {
    let device = Device::with_loadout();
    let none = device.run(&["loadout", "refresh"]);
    assert!(none.err.contains("holds nothing of another kitroom"), "{}", none.err);
    device.run(&["kitroom", "new", "Club A", "--club"]).well();
    let (club, own) = (["--kitroom", "Club A"], ["--kitroom", "Runner A"]);
    device.run(&[&["weigh", "club blanket", "62", "--new", "--reads-to", "1"][..], &club].concat()).well();
    device.run(&[&["loadout", "put", "club blanket @back"][..], &own].concat()).well();
    device.run(&[&["weigh", "club blanket", "70", "--reads-to", "1"][..], &club].concat()).well();
    let seen = || {
        let shown = device.run(&[&["loadout", "show", "--json"][..], &own].concat()).well().json();
        shown["entries"].as_array().unwrap().last().unwrap()["seen"]["mass"]["mass_g"].as_f64()
    };
    assert_eq!(seen(), Some(62.0));
    let ran = device.run(&[&["loadout", "refresh"][..], &own].concat()).well();
    assert!(ran.err.contains("club blanket: looked at now"), "{}", ran.err);
    assert_eq!(seen(), Some(70.0));
}

#[test]
fn remove_takes_a_draft_away_with_its_lines_and_what_was_logged_stays() {
    let device = Device::with_loadout();
    let no = device.run_at_terminal(&["loadout", "remove", "Race A"], "n\n");
    assert_eq!(no.code, Kind::Refused.exit_code());
    device.run(&["loadout", "new", "Race A", "--like"]).well();
    device.run(&["loadout", "remove", "Race A 2026 (2)"]).well();
    let list = device.run(&["loadout", "list", "--json"]).well().json();
    assert_eq!(list["loadouts"].as_array().unwrap().len(), 1);
    device.run(&["loadout", "used", "Race A", "--hours", "3"]).well();
    let used = device.run(&["loadout", "remove", "Race A"]);
    assert_eq!(used.code, Kind::Refused.exit_code());
    assert!(used.err.contains("it stays"), "{}", used.err);
}

#[test]
fn drop_units_places_and_whole_items() {
    let device = Device::with_loadout();
    let ran = device.run(&["loadout", "drop", "2 gel @front-left, gloves"]).well();
    assert!(ran.err.contains("2 gel: out, 4 left") && ran.err.contains("gloves: out"), "{}", ran.err);
    assert!(ran.err.contains("first NOT MET: Gloves"), "{}", ran.err);
    let ran = device.run(&["loadout", "drop", "99 gel"]);
    assert!(ran.err.contains("99 gel to go, and there are 8"), "{}", ran.err);
    let ran = device.run(&["loadout", "drop", "gel"]).well();
    assert_eq!(ran.err.matches("gel: out").count(), 2, "{}", ran.err);
    let ran = device.run(&["loadout", "drop", "compass"]);
    assert!(ran.err.contains("nothing in Race A 2026 has compass in its name"), "{}", ran.err);
}

#[test]
fn drop_a_dry_bag_takes_what_lies_in_it_out_first() {
    let device = Device::with_loadout();
    device.run(&["weigh", "dry bag", "30", "--new"]).well();
    device.run(&["loadout", "put", "dry bag @back, gloves @dry bag"]).well();
    let shown = device.run_at_terminal(&["loadout", "show"], "").well().out;
    assert!(shown.contains("in dry bag, in back"), "{shown}");
    let ran = device.run(&["loadout", "drop", "dry bag"]).well();
    assert!(ran.err.contains("gloves: stowed, since what it lay in is out"), "{}", ran.err);
}

#[test]
fn show_masses_reach_and_lines_within_80_columns() {
    let device = Device::with_loadout();
    let shown = device.run_at_terminal(&["loadout", "show"], "").well().out;
    narrow(&shown);
    has(
        &shown,
        &[
            "Race A 2026, Wed 4 March 2026, 06:00, a draft",
            "eaten: 200 kcal an hour; drunk: 400 ml an hour",
            "carried at the start",
            "on average",
            "setting out on leg 1 to Hut",
            "at the finish",
            "while moving",
            "demanded by rules",
            "own choice",
            "gets less on the way",
            "500 ml of water",
            "kept to the finish",
        ],
    );
}

#[test]
fn verdicts_have_items_values_evidence_and_the_caution() {
    let device = Device::with_loadout();
    device.run(&["loadout", "drop", "gloves"]).well();
    let shown = device.run_at_terminal(&["loadout", "verdicts"], "").well().out;
    narrow(&shown);
    has(
        &shown,
        &[
            "MET             1  Waterproof jacket",
            "shell jacket A, in back",
            "20,000 mm, limit 10,000 mm (label)",
            "NOT MET         2  Gloves",
            "4 gel: 4 in back, kept to the finish; 6 in front-left",
            "NOT APPLICABLE  5  Goggles",
            "Meeting a list is not being safe.",
        ],
    );
    let open = device.run(&["loadout", "verdicts", "--open"]).well().out;
    assert!(open.contains("NOT MET") && !open.contains("MET             1"), "{open}");
    let json = device.run(&["loadout", "verdicts", "--json"]).well().json();
    assert_eq!(json["counts"], json!({ "met": 3, "not_met": 1, "not_shown": 0, "not_applicable": 1 }));
    assert!(json["caution"].as_str().unwrap().contains("not being safe"));
}

#[test]
fn new_like_the_last_one_leaves_out_what_is_not_serviceable() {
    let device = Device::with_loadout();
    device.run(&["log", "retire", "shell jacket A", "--reason", "leak"]).well();
    let ran = device.run(&["loadout", "new", "Race A", "--like"]).well();
    assert!(ran.err.contains("left out: shell jacket A (retired)"), "{}", ran.err);
    assert!(ran.err.contains("Race A 2026 (2) is the loadout that you work on now"), "{}", ran.err);
    let list = device.run_at_terminal(&["loadout", "list"], "").well().out;
    narrow(&list);
    assert!(list.contains("draft, current"), "{list}");
    device.run(&["loadout", "use", "Race A 2026"]).well();
    let json = device.run(&["loadout", "list", "--json"]).well().json();
    let current: Vec<bool> =
        json["loadouts"].as_array().unwrap().iter().map(|one| one["current"] == json!(true)).collect();
    assert_eq!(current, [false, true]);
}

#[test]
fn lightest_proves_the_set_and_take_makes_it_in_one_step() {
    let device = Device::with_loadout();
    device.run(&["loadout", "drop", "shell jacket A"]).well();
    device.run(&["loadout", "put", "heavy shell @back"]).well();
    let found = device.run_at_terminal(&["loadout", "lightest"], "").well();
    narrow(&found.out);
    has(
        &found.out,
        &[
            "proven: none is lighter",
            "take\n  shell jacket A, 412 g",
            "leave\n  heavy shell, 520 g",
            "no advice to carry no more",
        ],
    );
    let before = device.run(&["loadout", "show", "--json"]).well().json();
    let taken = device.run(&["loadout", "lightest", "--take"]).well();
    assert!(
        taken.err.contains("shell jacket A: in") && taken.err.contains("heavy shell: out"),
        "{}",
        taken.err
    );
    let after = device.run(&["loadout", "show", "--json"]).well().json();
    let start = |shown: &serde_json::Value| shown["mass"]["carried"]["start_g"]["value_g"].as_f64().unwrap();
    // 520 g out, 412 g in.
    assert_eq!(start(&before) - start(&after), 108.0, "{}", taken.err);
    let verdicts = device.run(&["loadout", "verdicts", "--json"]).well().json();
    assert_eq!(verdicts["counts"]["not_met"], 0);
    let again = device.run(&["loadout", "lightest"]).well();
    assert!(again.err.contains("is that set already"), "{}", again.err);
}

#[test]
fn lightest_without_a_way_names_the_rules_to_blame() {
    let device = Device::with_loadout();
    device.run(&["log", "retire", "gloves", "--reason", "other"]).well();
    let ran = device.run(&["loadout", "lightest"]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("nothing here meets Gloves"), "{}", ran.err);
    let json = device.run(&["loadout", "lightest", "--json"]).well().json();
    assert_eq!((&json["status"], &json["blame"]), (&json!("infeasible"), &json!(["gloves"])));
}

#[test]
fn compare_two_loadouts_shows_masses_things_and_verdicts() {
    let device = Device::with_loadout();
    device.run(&["loadout", "new", "Race A", "--like", "--name", "light"]).well();
    device.run(&["loadout", "drop", "gloves, 3 gel @front-left"]).well();
    let shown = device.run_at_terminal(&["loadout", "compare", "Race A 2026", "light"], "").well().out;
    narrow(&shown);
    has(
        &shown,
        &[
            "from Race A 2026 to light, with the masses of today",
            "carried at the start",
            "gloves",
            "-86 g",
            "-135 g",
            "NOT MET",
        ],
    );
    let same = device.run(&["loadout", "compare", "light", "light"]);
    assert_eq!(same.code, Kind::Usage.exit_code());
}

#[test]
fn print_is_a_sheet_of_80_columns_and_a_page() {
    let device = Device::with_loadout();
    let text = device.run(&["loadout", "print"]).well().out;
    narrow(&text);
    has(
        &text,
        &[
            "Kit of Runner A",
            "[ ]  1  Waterproof jacket",
            "shell jacket A, in back (vest off)",
            "besides: vest, on the body; soft flask, in front-left",
            "carried at the start:",
            "not being safe",
        ],
    );
    let page = device.home().parent().unwrap().join("sheet.html");
    device.run(&["loadout", "print", "--html", page.to_str().unwrap()]).well();
    let page = std::fs::read_to_string(page).unwrap();
    assert!(page.contains("Waterproof jacket") && !page.contains("http"), "{page}");
    let nowhere = device.run(&["loadout", "print", "--html", "/nowhere/sheet.html"]);
    assert!(nowhere.err.contains("cannot be written"), "{}", nowhere.err);
}

#[test]
fn edit_changes_only_what_was_given() {
    let device = Device::with_loadout();
    device.run(&["loadout", "edit", "--name", "night run", "--eat", "250"]).well();
    let shown = device.run(&["loadout", "show", "night", "--json"]).well().json();
    assert_eq!(
        (&shown["loadout"]["eat_kcal_per_h"], &shown["loadout"]["drink_ml_per_h"]),
        (&json!(250), &json!(400))
    );
    assert_eq!(device.run(&["loadout", "edit"]).code, Kind::Usage.exit_code());
}

#[test]
fn without_a_loadout_or_a_race_it_is_said_what_to_do() {
    let device = Device::with_kit();
    let none = device.run(&["loadout", "show"]);
    assert!(
        none.err.contains("there is no loadout here yet") && none.err.contains("tare loadout new RACE"),
        "{}",
        none.err
    );
    let no_race = device.run(&["loadout", "new", "Race A"]);
    assert!(no_race.err.contains("no race here has Race A in its name"), "{}", no_race.err);
    device.run(&["loadout", "new", "--name", "walk"]).well();
    let verdicts = device.run(&["loadout", "verdicts"]).well().out;
    assert!(verdicts.contains("walk: no rule was checked"), "{verdicts}");
    let lightest = device.run(&["loadout", "lightest"]);
    assert_eq!(lightest.code, Kind::Refused.exit_code());
}
