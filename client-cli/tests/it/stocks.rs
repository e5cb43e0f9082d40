//! Stocks of like units.

use client_cli::error::Kind;
use serde_json::json;

use crate::devices::Device;

#[test]
fn stock_is_bought_counted_taken_and_shown() {
    let device = Device::with_kit();
    let ran = device.run(&["stock", "add", "12", "gel,", "6", "bar", "--new"]).well();
    assert!(ran.err.contains("gel: 12 bought; 12 left; made as food"), "{}", ran.err);
    assert!(ran.err.contains("2 entries saved on this device"), "{}", ran.err);
    let ran = device.run(&["stock", "take", "gel 3"]).well();
    assert!(ran.err.contains("gel: 3 eaten; 9 left"), "{}", ran.err);
    let ran = device.run(&["stock", "count", "7", "gel"]).well();
    assert!(ran.err.contains("gel: 7 counted, 2 fewer than expected; 7 left"), "{}", ran.err);
    let ran = device.run(&["stock", "take", "1 bar", "--reason", "lost"]).well();
    assert!(ran.err.contains("bar: 1 lost; 5 left"), "{}", ran.err);
    let table = device.run_at_terminal(&["stock", "show"], "").well().out;
    insta::assert_snapshot!(table, @r"
    NAME  KIND  LEFT    COUNTED ON
    bar   food  5 left
    gel   food  7 left  2026-03-01
    ");
    let rows = device.run(&["stock", "show", "gel"]).well().out;
    let movements: Vec<&str> = rows.lines().map(|row| row.split('\t').nth(1).unwrap()).collect();
    assert_eq!(movements, ["=7 counted", "-3 eaten", "+12 bought"]);
    let list = device.run_at_terminal(&["item", "list"], "").well().out;
    assert!(list.contains("gel (7 left)"), "{list}");
    let shown = device.run(&["item", "show", "gel"]).well().out;
    assert!(shown.contains("  stock         7 left, counted on 1 March 2026\n"), "{shown}");
    let json = device.run(&["stock", "show", "--json"]).well().json();
    assert_eq!(json["stocks"][1]["stock"], json!(7));
}

#[test]
fn stock_unknown_is_no_zero_and_below_zero_asks_for_a_count() {
    let device = Device::with_kit();
    device.run(&["item", "add", "plaster", "--per-unit"]).well();
    let ran = device.run(&["stock", "take", "2 plaster"]).well();
    assert!(ran.err.contains("plaster: 2 used; how many are left is not known"), "{}", ran.err);
    let json = device.run(&["stock", "show", "--json"]).well().json();
    assert_eq!(json["stocks"][0]["stock"], serde_json::Value::Null);
    device.run(&["stock", "count", "1 plaster"]).well();
    let ran = device.run(&["stock", "take", "3 plaster"]).well();
    assert!(ran.err.contains("-2 left: more went out than came in"), "{}", ran.err);
    device.run(&["stock", "undo", "plaster", "--last"]).well();
    device.run(&["stock", "count", "0 plaster"]).well();
    let shown = device.run(&["stock", "show", "plaster"]).well();
    assert!(shown.err.contains("plaster: 0 left"), "{}", shown.err);
    assert!(shown.out.contains("no: taken back"), "{}", shown.out);
}

#[test]
fn stock_a_count_that_is_logged_late_stands_before_later_movements() {
    let device = Device::with_kit();
    device.run(&["stock", "add", "10 gel", "--new"]).well();
    device.run(&["stock", "take", "4 gel"]).well();
    let ran = device.run(&["stock", "count", "20 gel", "--at", "2026-02-01"]).well();
    assert!(ran.err.contains("gel: 20 counted; 26 left"), "{}", ran.err);
}

#[test]
fn stock_bad_input_is_named_and_nothing_is_saved() {
    let device = Device::with_kit();
    device.run(&["stock", "add", "10 gel", "--new"]).well();
    for (args, kind, words) in [
        (&["stock", "add", "gel"][..], Kind::Usage, "gel has no number of whole units"),
        (&["stock", "add", "1.5 gel"], Kind::Usage, "no number of whole units"),
        (&["stock", "add", "12"], Kind::Usage, "of what?"),
        (&["stock", "add", "0 gel"], Kind::Usage, "moves nothing"),
        (&["stock", "add", "999999999999999999999 gel"], Kind::Usage, "at most 100000"),
        (&["stock", "add", "1 gel, 2 gel"], Kind::Usage, "named twice"),
        (&["stock", "add", "1 gel, 2 cup"], Kind::Refused, "cup is one thing"),
        (&["stock", "add", "1 gel, 2 tape"], Kind::Refused, "add --new"),
        (&["stock", "take", "1 gel", "--reason", "stolen"], Kind::Usage, "stolen"),
        (&["stock", "count", "1 gel", "--at", "never"], Kind::Usage, "never is no time"),
    ] {
        let ran = device.run(args);
        assert_eq!(ran.code, kind.exit_code(), "{args:?}: {}", ran.err);
        assert!(ran.err.contains(words), "{args:?}: {}", ran.err);
    }
    let json = device.run(&["stock", "show", "gel", "--json"]).well().json();
    assert_eq!((&json["stock"], json["stock_entries"].as_array().unwrap().len()), (&json!(10), 1));
}
