//! The condition history: what is logged, what state it makes, and what is taken back.

use client_cli::error::Kind;
use client_cli::local::Draft;
use domain::kinds;
use serde_json::{Value, json};

use crate::devices::{Device, Ran};
use crate::model::Line;
use crate::syncing::sync_well;

fn state(device: &Device, item: &str) -> Value {
    device.run(&["item", "show", item, "--json"]).well().json()["state"].clone()
}

#[track_caller]
fn refused(ran: &Ran, words: &str) {
    assert_eq!(ran.code, Kind::Refused.exit_code(), "{}", ran.err);
    assert!(ran.err.contains(words), "{}", ran.err);
}

#[track_caller]
fn usage(ran: &Ran, words: &str) {
    assert_eq!(ran.code, Kind::Usage.exit_code(), "{}", ran.err);
    assert!(ran.err.contains(words), "{}", ran.err);
}

#[test]
fn log_several_items_at_once_are_all_saved_or_none() {
    let device = Device::with_kit();
    device.run(&["item", "add", "shell trousers"]).well();
    let words =
        ["log", "wash", "jack,", "trousers,", "gloves", "--program", "30", "--detergent", "soap flakes"];
    let ran = device.run(&words).well();
    assert!(
        ran.err.contains("shell jacket A: washed, program 30, with soap flakes; it is serviceable"),
        "{}",
        ran.err
    );
    assert!(ran.err.contains("0 h worn and 1 wash in all"), "{}", ran.err);
    assert!(ran.err.ends_with("3 entries saved on this device\n"), "{}", ran.err);
    refused(&device.run(&["log", "wash", "jack, spoon"]), "no item here has spoon");
    let history = device.run(&["log", "show", "jack", "--json"]).well().json();
    assert_eq!(history["log_entries"].as_array().unwrap().len(), 1);
    assert_eq!(history["log_entries"][0]["program"], "30");
    // Each item counts once however often it is named.
    let twice = device.run(&["log", "wash", "jack, shell jacket A", "--json"]).well().json();
    assert_eq!(twice["entries"].as_array().unwrap().len(), 1);
}

#[test]
fn log_names_with_commas_and_names_without_are_told_apart() {
    let device = Device::with_kit();
    device.run(&["item", "add", "head lamp, old"]).well();
    let ran = device.run(&["log", "damage", "head lamp, old, cup", "--json"]).well().json();
    let names: Vec<&str> =
        ran["entries"].as_array().unwrap().iter().map(|entry| entry["item"].as_str().unwrap()).collect();
    assert_eq!(names, ["head lamp, old", "cup"]);
    let ran = device.run(&["log", "damage", "cup", "gloves"]);
    refused(&ran, "several items are told apart by commas");
}

#[test]
fn log_use_takes_hours_in_the_usual_spellings_and_needs_one() {
    let device = Device::with_kit();
    let words = ["log", "use", "jack", "--worn", "6:30", "--carried", "2", "--wet", "3,5", "--km", "42.2"];
    let entry = &device.run(&[&words[..], &["--json"]].concat()).well().json()["entries"][0];
    assert_eq!(
        (&entry["worn_h"], &entry["carried_h"], &entry["wet_h"], &entry["distance_km"]),
        (&json!(6.5), &json!(2.0), &json!(3.5), &json!(42.2))
    );
    assert_eq!(entry["used"], json!({ "worn_h": 6.5, "washes": 0.0 }));
    usage(&device.run(&["log", "use", "jack"]), "how long was it used?");
    usage(&device.run(&["log", "use", "jack", "--worn", "long"]), "long is no number of hours");
    refused(&device.run(&["log", "use", "jack", "--worn", "1", "--wet", "2"]), "wet_h: more wet hours");
    let asked = device.run_at_terminal(&["log", "use", "jack"], "1.5\n\n\n12\n").well();
    assert!(asked.err.contains("used, worn 1.5 h, 12 km"), "{}", asked.err);
    let nothing = device.run_at_terminal(&["log", "use", "jack"], "\n\n\n\n");
    refused(&nothing, "no hours and no distance");
    let shown = device.run(&["item", "show", "jack"]).well().out;
    assert!(shown.contains("  used          8 h worn, never washed, as logged\n"), "{shown}");
}

#[test]
fn log_at_is_a_date_or_a_date_with_time_and_never_far_ahead() {
    let device = Device::with_kit();
    for (at, observed) in [
        ("2026-02-14", "2026-02-14T12:00:00.000Z"),
        ("2026-02-14 18:30", "2026-02-14T18:30:00.000Z"),
        ("2026-02-14T18:30:00+01:00", "2026-02-14T17:30:00.000Z"),
    ] {
        let ran = device.run(&["log", "reproof", "jack", "--at", at, "--json"]).well().json();
        assert_eq!(ran["entries"][0]["observed_at"], observed, "{at}");
    }
    let ran = device.run(&["log", "reproof", "jack", "--at", "2026-02-14", "--agent", "spray-on"]).well();
    assert!(ran.err.contains("reproofed, with spray-on on 14 February 2026; it is"), "{}", ran.err);
    assert!(ran.err.contains("restores the spray grade, not the head"), "{}", ran.err);
    usage(&device.run(&["log", "reproof", "jack", "--at", "someday"]), "someday is no time");
    refused(&device.run(&["log", "reproof", "jack", "--at", "2026-04-01"]), "more than 24 h ahead");
}

#[test]
fn log_state_events_follow_each_other_and_say_the_state() {
    let device = Device::with_kit();
    for (event, state) in [
        ("watch", "put on watch"),
        ("quarantine", "quarantined"),
        ("clear", "cleared; it is serviceable"),
        ("watch", "put on watch"),
    ] {
        let ran = device.run(&["log", event, "jack"]).well();
        assert!(ran.err.contains(&format!("shell jacket A: {state}\n")), "{event}: {}", ran.err);
    }
    refused(&device.run(&["log", "watch", "jack"]), "shell jacket A is on watch already");
    refused(&device.run(&["log", "reinstate", "jack"]), "is not retired");
    device.run(&["log", "retire", "jack", "--reason", "leak"]).well();
    refused(&device.run(&["log", "clear", "jack"]), "tare log reinstate shell jacket A");
    refused(&device.run(&["log", "retire", "jack", "--reason", "zip"]), "retired already");
    assert_eq!(state(&device, "jack"), "retired");
    device.run(&["log", "reinstate", "jack"]).well();
    assert_eq!(state(&device, "jack"), "serviceable");
    // Each names the one before as seen, so that one head stands.
    let history = device.run(&["log", "show", "jack", "--json"]).well().json();
    assert_eq!(history["state_heads"].as_array().unwrap().len(), 1);
    let entries = history["log_entries"].as_array().unwrap();
    assert_eq!(entries[0]["after"], json!([entries[1]["id"]]));
}

#[test]
fn log_retire_asks_for_the_reason_and_hides_the_item() {
    let device = Device::with_kit();
    let unasked = device.run(&["log", "retire", "gloves"]);
    usage(&unasked, "--reason leak|delamination|seam|zip|elastic|lost|other");
    let asked = device.run_at_terminal(&["log", "retire", "gloves"], "6\n").well();
    assert!(asked.err.contains("   6  lost (not a failure)"), "{}", asked.err);
    assert!(asked.err.contains("gloves: retired, lost (not a failure)\n"), "{}", asked.err);
    let wrong = device.run_at_terminal(&["log", "retire", "cup"], "9\n");
    refused(&wrong, "nothing was chosen");
    let names = |args: &[&str]| -> Vec<String> {
        let json = device.run(&[&["item", "list", "--json"][..], args].concat()).well().json();
        json["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|item| item["name"].as_str().unwrap().to_owned())
            .collect()
    };
    assert_eq!(names(&[]), ["cup", "shell jacket A"]);
    assert_eq!(names(&["--all"]), ["cup", "gloves", "shell jacket A"]);
    assert_eq!(names(&["--state", "retired"]), ["gloves"]);
    let table = device.run_at_terminal(&["item", "list", "--all"], "").well();
    assert!(table.out.contains("gloves (retired)"), "{}", table.out);
    let table = device.run_at_terminal(&["item", "list"], "").well();
    assert!(table.err.contains("1 retired item not shown; with them: --all"), "{}", table.err);
    usage(&device.run(&["item", "list", "--state", "lent"]), "there is no state lent");
}

#[test]
fn log_a_retired_twin_is_not_meant_unless_it_is_reinstated() {
    let device = Device::with_kit();
    device.run(&["item", "add", "gloves", "--tag", "G2"]).well();
    device.run(&["log", "retire", "G2", "--reason", "lost"]).well();
    let ran = device.run(&["log", "wash", "gloves", "--json"]).well().json();
    assert_eq!(ran["entries"][0]["state"], "serviceable");
    let ran = device.run(&["log", "reinstate", "gloves", "--json"]).well().json();
    assert_eq!(ran["entries"][0]["state"], "serviceable");
    usage(&device.run(&["log", "wash", "gloves"]), "several items match gloves");
}

#[test]
fn log_grades_and_values_stand_last_and_are_checked() {
    let device = Device::with_kit();
    let ran = device.run(&["log", "inspect", "jack,", "gloves", "4", "--part", "cuff"]).well();
    assert!(ran.err.contains("gloves: inspected, grade 4 of 5, cuff; it is serviceable"), "{}", ran.err);
    let ran = device.run(&["log", "inspect", "gloves", "1"]).well();
    assert!(ran.err.contains("tare log quarantine gloves"), "{}", ran.err);
    device.run(&["log", "spray", "jack", "0"]).well();
    refused(&device.run(&["log", "spray", "jack", "6"]), "grade: must be from 0 to 5");
    refused(&device.run(&["log", "inspect", "jack", "0"]), "grade: must be from 1 to 5");
    usage(&device.run(&["log", "inspect", "jack"]), "the grade is missing");
    usage(&device.run(&["log", "spray", "jack", "3.5"]), "3.5 cannot be read as one");
    let asked = device.run_at_terminal(&["log", "spray", "jack"], "3\n").well();
    assert!(asked.err.contains("spray test, grade 3 of 5"), "{}", asked.err);
    device.run(&["item", "add", "head lamp"]).well();
    let words = ["log", "burn", "lamp", "7:30", "--mode", "200 lm", "--temperature", "-5"];
    let ran = device.run(&words).well();
    assert!(ran.err.contains("head lamp: burn test, 7.5 h, mode 200 lm, -5 C"), "{}", ran.err);
    refused(&device.run(&["log", "burn", "lamp", "0"]), "burn_h: must be above 0 h");
    let ran = device.run(&["log", "open", "cup", "--note", "for the class"]).well();
    assert!(ran.err.contains("cup: opened; it is serviceable"), "{}", ran.err);
    let rows = device.run(&["log", "show", "cup"]).well().out;
    assert_eq!(rows.split('\t').nth(1), Some("opened (for the class)"));
}

#[test]
fn log_head_reads_units_bounds_and_predicts_only_from_tests() {
    let device = Device::with_kit();
    device.run(&["item", "edit", "jack", "--head-mm", "20000", "--head-basis", "label"]).well();
    let ran = device.run(&["log", "head", "jack", ">=2000", "--rig", "column"]).well();
    assert!(ran.err.contains("head test, at least 2000 mm, column"), "{}", ran.err);
    assert!(ran.err.contains("a bound, not the head itself"), "{}", ran.err);
    assert!(ran.err.contains("no head is predicted"), "{}", ran.err);
    let entry = &device.run(&["log", "head", "jack", "98.0665", "kPa", "--json"]).well().json()["entries"][0];
    // 98.0665 kPa are 10 m of water by the conventional factor (9.80665 Pa a millimetre).
    assert_eq!((&entry["head_mm"], &entry["note"]), (&json!(10_000), &json!("read as 98.0665 kPa")));
    assert_eq!(entry.get("relation"), None);
    let words = [
        "log",
        "head",
        "jack",
        "18500",
        "--rate",
        "60",
        "--drops",
        "third",
        "--part",
        "fabric",
        "--face",
        "outer",
        "--places",
        "5",
        "--rig",
        "laboratory",
        "--temperature",
        "20",
    ];
    let ran = device.run(&words).well();
    assert!(
        ran.err.replace("\n  ", " ").contains(
            "head test, 18500 mm, fabric, 60 cm/min, third drop, outer face, 5 places, laboratory, 20 C"
        ),
        "{}",
        ran.err
    );
    // The earlier test, made in another way, found less: that is what holds.
    let said = ran.err.split_whitespace().collect::<Vec<_>>().join(" ");
    let words = ["head now, as measured: 10,000 mm", "the weakest of the 3 ways in which it was tested"];
    assert!(words.iter().all(|words| said.contains(words)), "{said}");
    let wash = device.run(&["log", "wash", "jack", "--json"]).well().json();
    assert_eq!(wash["entries"][0]["head"]["n"], 1);
    usage(&device.run(&["log", "head", "jack", "high"]), "the head is missing");
    usage(&device.run(&["log", "head", "jack", "<8000", "--at-least"]), "both at least and below");
    usage(&device.run(&["log", "head", "jack", "9000", "--rig", "bucket"]), "bucket");
    refused(&device.run(&["log", "head", "jack", "0"]), "head_mm: must be above 0 mm");
    refused(&device.run(&["log", "head", "jack", "99999999999"]), "head_mm");
}

#[test]
fn log_undo_voids_and_brings_back_the_state_before() {
    let device = Device::with_kit();
    device.run(&["log", "quarantine", "jack"]).well();
    device.run(&["log", "retire", "jack", "--reason", "zip"]).well();
    let ran = device.run(&["log", "undo", "jack", "--last", "--reason", "wrong jacket"]).well();
    assert!(ran.err.contains("retired, zip; it is quarantined"), "{}", ran.err);
    let history = device.run(&["log", "show", "jack", "--json"]).well().json();
    assert_eq!(history["log_entries"][0]["voided"]["reason"], "wrong jacket");
    assert_eq!(history["log_entries"].as_array().unwrap().len(), 2);
    device.run(&["log", "wash", "cup"]).well();
    usage(&device.run(&["log", "undo"]), "which entry is taken back?");
    let chosen = device.run_at_terminal(&["log", "undo"], "2\n").well();
    assert!(chosen.err.contains("shell jacket A: quarantined; it is serviceable"), "{}", chosen.err);
    // The only one left of an item needs no choice.
    device.run(&["log", "undo", "cup"]).well();
    refused(&device.run(&["log", "undo"]), "no entry to take back");
}

#[test]
fn log_two_people_who_judge_apart_leave_a_contradiction_that_is_shown() {
    let (first, second, line) = (Device::with_kit(), Device::new(), Line::new());
    sync_well(&first, &line);
    sync_well(&second, &line);
    first.run(&["log", "watch", "jack"]).well();
    second.run(&["log", "retire", "jack", "--reason", "leak"]).well();
    for device in [&first, &second, &first] {
        sync_well(device, &line);
    }
    let shown = first.run_at_terminal(&["item", "show", "jack"], "").well().out;
    let flat = shown.split_whitespace().collect::<Vec<_>>().join(" ");
    assert!(flat.contains("state retired; "), "{shown}");
    assert!(flat.contains("put on watch on 1 March 2026"), "{shown}");
    assert!(flat.contains("people judged it without having seen each other's entry"), "{shown}");
    assert!(shown.lines().all(|line| line.chars().count() <= 80), "{shown}");
    // Any of them settles it, also one that would make no sense otherwise.
    let ran = first.run(&["log", "clear", "jack"]).well();
    assert!(ran.err.contains("cleared; it is serviceable"), "{}", ran.err);
}

#[test]
fn log_history_is_shown_newest_first_with_what_does_not_count() {
    let device = Device::with_kit();
    device.run(&["log", "wash", "jack", "--at", "2026-01-10"]).well();
    device.run(&["log", "use", "jack", "--worn", "5", "--at", "2026-02-10"]).well();
    device.run(&["log", "undo", "jack", "--last"]).well();
    let shown = device.run_at_terminal(&["log", "show", "jack"], "").well();
    insta::assert_snapshot!(shown.out, @r"
    ON                WHAT            COUNTS
    2026-02-10 12:00  used, worn 5 h  no: taken back
    2026-01-10 12:00  washed          yes
    ");
    assert!(shown.err.contains("shell jacket A: serviceable"), "{}", shown.err);
    assert!(device.run(&["log", "show", "cup"]).well().err.contains("nothing was logged of it yet"));
    for day in 11..24 {
        device.run(&["log", "wash", "jack", "--at", &format!("2026-01-{day}")]).well();
    }
    let item = device.run_at_terminal(&["item", "show", "jack"], "").well();
    assert!(item.err.contains("and 5 older: tare log show shell jacket A"), "{}", item.err);
}

#[test]
fn log_for_use_that_should_not_have_been_a_word_is_said() {
    let device = Device::with_kit();
    device.run(&["log", "quarantine", "jack"]).well();
    let ran = device.run(&["log", "use", "jack", "--worn", "1"]).well();
    assert!(ran.err.contains("should not have been used"), "{}", ran.err);
    let ran = device.run(&["log", "damage", "cup", "--part", "rim"]).well();
    assert!(ran.err.contains("cup: damaged, rim; it is serviceable"), "{}", ran.err);
    assert!(ran.err.contains("tare log quarantine cup"), "{}", ran.err);
    let ran = device.run(&["log", "repair", "cup", "--part", "rim"]).well();
    assert!(ran.err.contains("cup: repaired, rim; it is serviceable"), "{}", ran.err);
}

#[test]
fn log_without_after_a_device_of_another_version_is_still_read() {
    let device = Device::with_kit();
    let (room, mut store) = (device.room().id, device.store());
    let item = store.find_items(room, "jack").unwrap().remove(0).id;
    let id = store.new_id();
    let body = json!({ "item_id": item, "event": "watch", "observed_at": "2026-02-01T08:00:00Z" });
    store.act(room, &[Draft::make(&kinds::log_entry::KIND, id, &body).unwrap()]).unwrap();
    assert_eq!(state(&device, "jack"), "on_watch");
}
