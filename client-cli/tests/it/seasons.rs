//! Seasons.

use client_cli::error::Kind;

use crate::devices::Device;

#[test]
fn season_a_year_is_enough_and_spans_are_listed_latest_first() {
    let device = Device::with_kit();
    let ran = device.run(&["season", "add", "2025"]).well();
    assert!(ran.err.contains("season 2025: 2025-01-01 to 2025-12-31, 365 days"), "{}", ran.err);
    let words =
        ["season", "add", "winter", "--from", "2025-12-01", "--to", "2026-02-28", "--notes", "spikes"];
    let ran = device.run(&words).well();
    assert!(ran.err.contains("it shares days with 2025"), "{}", ran.err);
    let table = device.run_at_terminal(&["season", "list"], "").well().out;
    insta::assert_snapshot!(table, @r"
    NAME    FROM        TO          DAYS  NOTES
    winter  2025-12-01  2026-02-28  90    spikes
    2025    2025-01-01  2025-12-31  365
    ");
    let json = device.run(&["season", "list", "--json"]).well().json();
    assert_eq!(
        (&json["seasons"][0]["season"]["name"], &json["seasons"][0]["days"]),
        (&"winter".into(), &90.into())
    );
}

#[test]
fn season_bad_spans_are_refused() {
    let device = Device::with_kit();
    device.run(&["season", "add", "2025"]).well();
    for (args, kind, words) in [
        (&["season", "add", "summer"][..], Kind::Usage, "its first day is missing"),
        (&["season", "add", "summer", "--from", "2025-06-01"], Kind::Usage, "its last day is missing"),
        (&["season", "add", "x", "--from", "June", "--to", "2025-06-01"], Kind::Usage, "June is no date"),
        (&["season", "add", "x", "--from", "2025-07-01", "--to", "2025-06-01"], Kind::Refused, "to_on"),
        (&["season", "add", "2025"], Kind::Usage, "there is a season 2025 already"),
        (&["season", "add", " "], Kind::Usage, "its name must not be empty"),
    ] {
        let ran = device.run(args);
        assert_eq!(ran.code, kind.exit_code(), "{args:?}: {}", ran.err);
        assert!(ran.err.contains(words), "{args:?}: {}", ran.err);
    }
    assert_eq!(device.run(&["season", "list"]).well().out.lines().count(), 1);
}
