//! From race day on: the seal, the kit check, what was used, and the ledger.

use client_cli::error::Kind;
use serde_json::json;

use crate::devices::Device;
use crate::loadout_kit::has;

fn narrow(text: &str) {
    assert!(text.lines().all(|line| line.chars().count() <= 80), "{text}");
}

#[test]
fn seal_shows_verdicts_and_caution_and_wants_a_yes() {
    let device = Device::with_loadout();
    let no = device.run_at_terminal(&["loadout", "seal"], "\n");
    assert_eq!(no.code, Kind::Refused.exit_code());
    assert!(no.out.contains("not being safe") && no.err.contains("not sealed"), "{} {}", no.out, no.err);
    narrow(&no.out);
    assert_eq!(device.run(&["loadout", "seal"]).code, Kind::Usage.exit_code());
    let yes = device.run_at_terminal(&["loadout", "seal"], "y\n").well();
    assert!(yes.err.contains("is sealed on this device"), "{}", yes.err);
    let shown = device.run(&["loadout", "show", "--json"]).well().json();
    assert_eq!(shown["loadout"]["state"], "sealed");
}

#[test]
fn sealed_twice_or_changed_is_refused_with_what_to_do_and_a_seal_can_be_taken_back() {
    let device = Device::with_loadout();
    device.run(&["loadout", "seal", "--yes"]).well();
    let again = device.run(&["loadout", "seal", "--yes"]);
    assert_eq!(again.code, Kind::Refused.exit_code());
    assert!(again.err.contains("Race A 2026 was sealed on 1 March 2026"), "{}", again.err);
    for change in [
        &["loadout", "put", "cup"][..],
        &["loadout", "drop", "gloves"],
        &["loadout", "edit", "--eat", "1"],
        &["loadout", "lightest", "--take"],
        &["kit-check", "--keep"],
    ] {
        let ran = device.run(change);
        assert_eq!(ran.code, Kind::Refused.exit_code(), "{change:?}");
        assert!(
            ran.err.contains("is sealed since") && ran.err.contains("tare loadout unseal"),
            "{}",
            ran.err
        );
    }
    device.run(&["loadout", "unseal", "--reason", "the race is postponed"]).well();
    device.run(&["loadout", "put", "cup"]).well();
    let twice = device.run(&["loadout", "unseal", "--reason", "again"]);
    assert!(twice.err.contains("is not sealed"), "{}", twice.err);
    device.run(&["loadout", "new", "--name", "empty"]).well();
    assert!(device.run(&["loadout", "seal", "--yes"]).err.contains("empty is empty"));
}

#[test]
fn used_asks_and_logs_the_whole_loadout_in_one_group() {
    let device = Device::with_loadout();
    device.run(&["loadout", "seal", "--yes"]).well();
    device.wait_days(4);
    let answers = "10:30\n3\nshell jacket 2:30\n5\ngloves, 1 gel\nshell jacket: seam at the cuff\ny\n";
    let ran = device.run_at_terminal(&["loadout", "used"], answers).well();
    has(
        &ran.err,
        &[
            "hours from start to finish, as in 21:30, Enter: 10 h as planned > ",
            "10 gel; how many were eaten? Enter: 6 > ",
            "2 items worn, 4 items carried",
            "shell jacket A: worn 2 h 30 min",
            "5 gel: eaten, out of the stock",
            "gloves: lost, so retired",
            "shell jacket A: damaged (seam at the cuff)",
            "logged on this device",
        ],
    );
    let log = |item: &str| device.run(&["log", "show", item, "--json"]).well().json();
    let shell = log("shell jacket A").to_string();
    for part in
        ["\"worn_h\":2.5", "\"carried_h\":8", "\"wet_h\":2.5", "seam at the cuff", "2026-03-04T15:30:00.000Z"]
    {
        assert!(shell.contains(part), "{part}: {shell}");
    }
    assert!(log("vest").to_string().contains("\"worn_h\":10.5"));
    assert!(log("gloves").to_string().contains("\"lost\""));
    // Of 20, five were eaten and one was lost.
    assert_eq!(device.run(&["stock", "show", "gel", "--json"]).well().json()["stock"], 14);
    let again = device.run(&["loadout", "used", "--hours", "10"]);
    assert_eq!(again.code, Kind::Refused.exit_code());
    assert!(again.err.contains("was logged already") && again.err.contains("--again"), "{}", again.err);
}

#[test]
fn used_by_flags_asks_nothing_and_an_answer_that_cannot_be_right_logs_nothing() {
    let device = Device::with_loadout();
    for wrong in [
        &["--hours", "soon"][..],
        &["--hours", "10", "--wet", "11"],
        &["--hours", "10", "--eaten", "11 gel"],
        &["--hours", "10", "--lost", "compass"],
        &["--hours", "10", "--worn", "shell jacket"],
        &["--hours", "10", "--worn", "shell jacket 12"],
        &["--hours", "0"],
        &[],
    ] {
        let ran = device.run(&[&["loadout", "used"][..], wrong].concat());
        assert_ne!(ran.code, 0, "{wrong:?}");
    }
    let ran = device.run(&["loadout", "used", "--hours", "10", "--eaten", "all", "--json"]).well().json();
    // Seven lines of six items, and the gels out of the stock: the four in reserve stay.
    assert_eq!(ran["logged"], 7, "{ran}");
    assert_eq!(device.run(&["stock", "show", "gel", "--json"]).well().json()["stock"], 14);
}

#[test]
fn kit_check_goes_rule_by_rule_with_the_pocket_named_and_keeps_nothing_unless_asked() {
    let device = Device::with_loadout();
    let before = device.run(&["status", "--json"]).well().json();
    let ran = device.run_at_terminal(&["kit-check"], "y\nx\nn\nb\ns\ny\nq\n").well();
    narrow(&ran.err);
    has(
        &ran.err,
        &[
            "1 of 4: Waterproof jacket",
            "shell jacket A, in back; vest off",
            "y, n, s, b or q",
            "2 of 4: Gloves",
        ],
    );
    has(
        &ran.out,
        &["2 of 4 rules shown", "skipped: Gloves", "not reached: Food in reserve", "not being safe"],
    );
    let after = device.run(&["status", "--json"]).well().json();
    assert_eq!(before["kitrooms"][0]["pending"], after["kitrooms"][0]["pending"]);
    device.run_at_terminal(&["kit-check", "--keep"], "y\ny\nn\ny\n").well();
    let shown = device.run(&["loadout", "show", "--json"]).well().json();
    assert!(shown["loadout"]["notes"].as_str().unwrap().contains("still not shown: Head lamp"), "{shown}");
    assert_eq!(device.run(&["kit-check"]).code, Kind::Usage.exit_code());
}

#[test]
fn kit_check_ends_when_the_input_ends_and_says_what_was_not_reached() {
    let device = Device::with_loadout();
    let ran = device.run_at_terminal(&["kit-check"], "y\n").well();
    assert!(ran.out.contains("1 of 4 rules shown") && ran.out.contains("not reached: Gloves"), "{}", ran.out);
}

#[test]
fn ledger_between_two_sealed_loadouts_is_split_to_the_gram() {
    let device = Device::with_loadout();
    device.run(&["loadout", "seal", "--yes"]).well();
    let one = device.run(&["season", "ledger"]);
    assert_eq!(one.code, Kind::Refused.exit_code());
    assert!(one.err.contains("this device has 1 sealed loadout"), "{}", one.err);
    device.wait_days(10);
    device.run(&["loadout", "new", "Race A", "--like", "--name", "Race A again"]).well();
    device.run(&["loadout", "drop", "shell jacket A, 2 gel @front-left"]).well();
    device.run(&["loadout", "put", "heavy shell @back"]).well();
    device.run(&["loadout", "seal", "--yes"]).well();
    let shown = device.run_at_terminal(&["season", "ledger"], "").well().out;
    narrow(&shown);
    has(&shown, &["Race A 2026", "Race A again", "shell jacket A ->"]);
    let json = device.run(&["season", "ledger", "Race A 2026", "again", "--json"]).well().json();
    // 520 g for 412 g, and two gels of 45 g less.
    assert_eq!((&json["change_g"], &json["unexplained_g"]), (&json!(18.0), &json!(0.0)), "{json}");
    let svg = device.home().parent().unwrap().join("ledger.svg");
    device.run(&["season", "ledger", "--svg", svg.to_str().unwrap()]).well();
    assert!(std::fs::read_to_string(svg).unwrap().starts_with("<svg"));
    let unknown = device.run(&["season", "ledger", "Race A 2026", "1999"]);
    assert!(unknown.err.contains("no season and no sealed loadout has 1999 in its name"), "{}", unknown.err);
}

#[test]
fn ledger_of_seasons_counts_a_race_by_the_day_of_its_start() {
    let device = Device::with_loadout();
    device.run(&["season", "add", "2026"]).well();
    device.run(&["season", "add", "2027"]).well();
    device.run(&["loadout", "seal", "--yes"]).well();
    let file = device.file("next.toml", &crate::loadout_kit::RACE.replace("2026", "2027"));
    device.run(&["race", "add", file.to_str().unwrap()]).well();
    device.run(&["loadout", "new", "Race A 2027", "--like"]).well();
    device.run(&["loadout", "drop", "head lamp"]).well();
    // Sealed in 2026 for a race of 2027: it belongs to 2027.
    device.run(&["loadout", "seal", "--yes"]).well();
    let json = device.run(&["season", "ledger", "2026", "2027", "--json"]).well();
    let json = json.json();
    assert_eq!(
        (&json["from"]["kind"], &json["from"]["n"], &json["to"]["n"]),
        (&json!("season"), &json!(1), &json!(1))
    );
    assert_eq!(json["change_g"], -90.0);
}
