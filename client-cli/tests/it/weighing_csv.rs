//! Weighings from a CSV file: all or nothing, every bad row told.

use client_cli::error::Kind;

use crate::devices::{Device, Ran};

fn import(device: &Device, content: &str, more: &[&str]) -> Ran {
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("table.csv");
    std::fs::write(&file, content).unwrap();
    let mut args =
        vec!["weigh", "--csv", file.to_str().unwrap(), "--map", "item=Thing", "--map", "reading=Weight"];
    args.extend(more);
    device.run(&args)
}

#[test]
fn weigh_csv_every_bad_row_is_listed_and_nothing_is_taken_in() {
    let device = Device::with_kit();
    device.run(&["scale", "add", "small", "--reads-to", "1", "--capacity", "500"]).well();
    let before = device.store().outbox_counts(device.room().id).unwrap().pending;
    let table = "Thing,Weight\ncup,31\nspoon,12\ncup,0\nshell jacket A,600\n";
    let ran = import(&device, table, &["--scale", "small"]);
    assert_eq!(ran.code, Kind::Refused.exit_code(), "{}", ran.err);
    for words in ["3 of 4 rows", "line 3", "--new", "line 4", "above 0 g", "line 5", "over the capacity"] {
        assert!(ran.err.contains(words), "{words}: {}", ran.err);
    }
    assert_eq!(device.store().outbox_counts(device.room().id).unwrap().pending, before);
    let unread = import(&device, "Thing,Weight\ncup,heavy\ncup,\ncup,31\n", &[]);
    assert!(
        unread.err.contains("2 of 3 rows") && unread.err.contains("line 2") && unread.err.contains("line 3")
    );
    assert_eq!(device.store().outbox_counts(device.room().id).unwrap().pending, before);
}

#[test]
fn weigh_csv_good_rows_become_weighings_one_sitting_a_day() {
    let device = Device::with_kit();
    let table =
        "Thing;Weight;On;How\ncup;32 g;2025-12-01;dry\nspoon;12;2025-12-01;wet\nspoon;11;2025-12-02;dry\n";
    let more = ["--new", "--map", "observed_at=On", "--map", "wetness=How"];
    let ran = import(&device, table, &more).well();
    assert!(ran.err.contains("3 weighings taken in from"), "{}", ran.err);
    assert!(ran.err.contains("in 2 sittings, with 1 item made"), "{}", ran.err);
    let spoon = device.run(&["item", "show", "spoon", "--json"]).well().json();
    // The wet one is kept and makes no mass.
    assert_eq!((spoon["mass_g"].as_f64(), spoon["mass_n"].as_i64()), (Some(11.0), Some(1)));
    let weighings = spoon["weighings"].as_array().unwrap();
    assert_eq!(weighings.len(), 2);
    assert!(weighings.iter().all(|weighing| weighing["source"] == "csv"), "{weighings:?}");
    assert_ne!(weighings[0]["sitting_id"], weighings[1]["sitting_id"]);
    assert_eq!(device.run(&["doctor", "--json"]).well().json()["ok"], true);
}

#[test]
fn weigh_csv_ounces_are_converted_and_keep_their_coarser_step() {
    let device = Device::with_kit();
    import(&device, "Thing,Weight\ncup,14.5\n", &["--unit", "oz"]).well();
    let cup = device.run(&["item", "show", "cup", "--json"]).well().json();
    // 14.5 oz at 28.349 523 125 g (NIST SP 811, appendix B.8).
    assert_eq!(cup["weighings"][0]["reading_g"], 411.068);
    assert_eq!(cup["weighings"][0]["resolution_g"], 2.835);
}
