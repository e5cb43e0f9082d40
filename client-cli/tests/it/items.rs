//! Items: adding, finding, editing, listing.

use client_cli::error::Kind;

use crate::devices::Device;

#[test]
fn list_at_a_terminal_is_a_table_with_uncertainty_and_evidence() {
    let device = Device::with_kit();
    device.run(&["item", "add", "foil blanket", "--label-mass", "60"]).well();
    device.run(&["item", "add", "compass"]).well();
    device.run(&["weigh", "shell", "413"]).well();
    let table = device.run_at_terminal(&["item", "list"], "").well().out;
    insta::assert_snapshot!(table, @r"
    NAME            KIND          MASS +- U       EVIDENCE
    compass         compass       not weighed
    cup             cup           31.0 +- 0.7 g   measured, 1 weighing
    foil blanket    foil_blanket  60 g            label only
    gloves          gloves        86.0 +- 0.7 g   measured, 1 weighing
    shell jacket A  shell_jacket  412.5 +- 0.6 g  measured, 2 weighings
    ");
}

#[test]
fn list_in_a_pipe_is_plain_rows_and_unknown_is_empty_not_zero() {
    let device = Device::with_kit();
    device.run(&["item", "add", "compass", "--tag", "C1"]).well();
    let rows = device.run(&["item", "list"]).well().out;
    let compass: Vec<&str> = rows.lines().next().unwrap().split('\t').collect();
    assert_eq!(compass, ["compass", "compass", "", "C1", "", "", "none", "0", "", "serviceable", ""]);
    let cup: Vec<&str> = rows.lines().nth(1).unwrap().split('\t').collect();
    assert_eq!((cup[4], cup[5], cup[6], cup[7]), ("31", "0.7071", "measured", "1"));
    let unweighed = device.run(&["item", "list", "--unweighed", "--json"]).well().json();
    assert_eq!(unweighed["items"].as_array().unwrap().len(), 1);
    assert_eq!(unweighed["items"][0]["mass_g"], serde_json::Value::Null);
}

#[test]
fn show_every_weighing_is_listed_and_a_change_is_said() {
    let device = Device::with_kit();
    device.run(&["weigh", "shell", "430", "--wet"]).well();
    device.run(&["weigh", "shell", "425"]).well();
    let shown = device.run_at_terminal(&["item", "show", "shell"], "").well().out;
    insta::assert_snapshot!(shown, @r"
    shell jacket A
      mass          425.0 +- 0.7 g, measured, 1 weighing
                    at least one sitting had no check weight: an error of the scale
                    of twice class III (OIML R 76) is assumed
                    it was 412.0 +- 0.7 g on 1 March 2026, now 425.0 +- 0.7 g: 13.0
                    g more than before, more than the scale explains; only what
                    agrees with the newest counts
      state         serviceable
      kind          shell_jacket

    430 g |                                           x
          |
          |                                                    o
          |
          |
          |
          |
    412 g |o
          +-----------------------------------------------------
           2026-03-01                                 2026-03-01
    o a reading that counts  x one that does not (wet, full)

    WEIGHED ON        READING  CONDITION  BY     USABLE
    2026-03-01 08:00  425 g    dry        typed  yes
    2026-03-01 08:00  430 g    wet        typed  no: not dry, or not empty
    2026-03-01 08:00  412 g    dry        typed  yes
    ");
}

#[test]
fn find_unique_part_of_name_or_tag_is_enough_and_several_are_named() {
    let device = Device::with_kit();
    device.run(&["item", "add", "shell trousers", "--tag", "T7"]).well();
    assert!(device.run(&["item", "show", "jack"]).well().out.starts_with("shell jacket A"));
    assert!(device.run(&["item", "show", "t7"]).well().out.starts_with("shell trousers"));
    let several = device.run(&["item", "show", "shell"]);
    assert_eq!(several.code, Kind::Usage.exit_code());
    assert!(
        several.err.contains("shell jacket A") && several.err.contains("shell trousers"),
        "{}",
        several.err
    );
    let chosen = device.run_at_terminal(&["item", "show", "shell"], "2\n").well();
    assert!(chosen.out.starts_with("shell trousers"), "{}", chosen.out);
    let none = device.run(&["item", "show", "bivvy"]);
    assert_eq!(none.code, Kind::Refused.exit_code());
    assert!(none.err.contains("next:"), "{}", none.err);
}

#[test]
fn edit_only_what_was_given_changes_and_clear_takes_away() {
    let device = Device::with_kit();
    let add = [
        "--size",
        "M",
        "--set",
        "denier=40",
        "--set",
        "colour=red",
        "--head-mm",
        "10000",
        "--head-basis",
        "label",
    ];
    device.run(&[&["item", "edit", "shell"][..], &add[..]].concat()).well();
    device.run(&["item", "edit", "shell", "--name", "shell jacket B", "--clear", "attributes.colour"]).well();
    device.run(&["item", "edit", "shell", "--clear", "head_mm", "--clear", "head_basis"]).well();
    let item = device.run(&["item", "show", "shell", "--json"]).well().json();
    assert_eq!(item["name"], "shell jacket B");
    assert_eq!(item["size"], "M");
    assert_eq!(item["attributes"], serde_json::json!({ "denier": 40 }));
    assert_eq!(item["head_mm"], serde_json::Value::Null);
    assert_eq!(item["mass_g"], 412.0);
    assert!(device.run(&["item", "edit", "shell", "--size", "M"]).well().err.contains("it was so already"));
    assert_eq!(device.run(&["item", "edit", "shell"]).code, Kind::Usage.exit_code());
}

#[test]
fn add_bad_fields_are_named_and_nothing_is_stored() {
    let device = Device::with_kit();
    for (args, field) in [
        (&["item", "add", "x", "--kind", "spoon"][..], "kind"),
        (&["item", "add", " "], "name"),
        (&["item", "add", "x", "--expires-on", "2027-02-30"], "expires_on"),
        (&["item", "add", "x", "--head-basis", "label"], "head_basis"),
        (&["item", "add", "x", "--set", "Denier=40"], "attributes"),
        (&["item", "add", "x", "--volume-ml", "1e300"], "volume_ml"),
    ] {
        let ran = device.run(args);
        assert_eq!(ran.code, Kind::Refused.exit_code(), "{args:?}: {}", ran.err);
        assert!(ran.err.contains(field), "{args:?}: {}", ran.err);
    }
    assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 3);
    assert_eq!(device.store().outbox_counts(device.room().id).unwrap().pending, 7);
}

#[test]
fn add_too_many_bytes_for_a_record_are_refused_here_already() {
    let device = Device::with_kit();
    let long = "\u{10ffff}".repeat(400);
    let attributes: Vec<String> = (0..60).map(|n| format!("a{n}={long}")).collect();
    let mut args = vec!["item", "add", "x"];
    for attribute in &attributes {
        args.extend(["--set", attribute]);
    }
    let ran = device.run(&args);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("65536"), "{}", ran.err);
}

#[test]
fn list_several_kitrooms_are_kept_apart() {
    let device = Device::with_kit();
    device.run(&["kitroom", "new", "Club B", "--club"]).well();
    device.run(&["item", "add", "spare shell jacket", "--kitroom", "club"]).well();
    assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 3);
    assert_eq!(device.run(&["item", "list", "--kitroom", "Club B"]).well().out.lines().count(), 1);
    device.run(&["kitroom", "use", "club"]).well();
    assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 1);
    let rooms = device.run_at_terminal(&["kitroom", "list"], "").well().out;
    insta::assert_snapshot!(rooms, @r"
    NAME      PURPOSE   ROLE   ITEMS  WHERE
    Club B    club      owner  1      this device  in use
    Runner A  personal  owner  3      this device
    ");
    assert_eq!(device.run(&["kitroom", "new", "Runner C"]).code, Kind::Refused.exit_code());
    assert_eq!(device.run(&["kitroom", "use", "nobody"]).code, Kind::Refused.exit_code());
}
