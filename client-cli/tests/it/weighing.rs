//! At the scale: typed numbers, a recorded scale, keys and undo.

use client_cli::error::Kind;
use client_cli::local::State;

use crate::devices::{Device, fixture};

#[test]
fn weigh_first_run_asks_whose_kit_and_the_step_and_never_again() {
    let device = Device::new();
    let first = "Runner A\n\n200\n201\n412\nshell jacket A\n87\ngloves thin\nq\n";
    let ran = device.run_at_terminal(&["weigh"], first).well();
    insta::assert_snapshot!(ran.err, @r"
    whose kit is this? a name > your scale reads to 1 g? Enter, or its step > weighing Runner A's kit on kitchen scale, which reads to 1 g
    check weight on? its grams, or Enter to skip > the scale shows >   check weight 200 g (+- 0.058 g) reads 201 g: +1 g, taken off
    type what the scale shows, then the item; w wet, f full, x3 units, u undo, q end
    > 412 g >   411.0 +- 0.6 g  shell jacket A  (measured, 1 weighing)
    > 87 g >   86.0 +- 0.6 g  gloves thin  (measured, 1 weighing)
    > WEIGHED         MASS +- U       EVIDENCE
    shell jacket A  411.0 +- 0.6 g  measured, 1 weighing
    gloves thin     86.0 +- 0.6 g   measured, 1 weighing
    * kitchen scale is off by +1.0 +- 0.4 g (from 1 check reading); that is taken
      off
    2 saved on this device; nothing sent yet
    you weighed 2 of 2 this season (the last 365 days)
    ");
    // Enter takes the item whose mass is nearest.
    let again = device.run_at_terminal(&["weigh"], "\n412\n\nq\n").well();
    assert!(!again.err.contains("whose kit") && !again.err.contains("reads to 1 g?"), "{}", again.err);
    assert!(again.err.contains("412 g [shell jacket A] > "), "{}", again.err);
    assert_eq!(device.store().item_count(device.room().id).unwrap(), 2);
}

#[test]
fn weigh_keys_say_how_it_lies_there_and_undo_leaves_a_trace() {
    let device = Device::with_kit();
    let typed = "w\n430\nshell\n258\nx3\ngloves\nu\n0.5 kg\nu\ncup\nf\nq\n";
    let ran = device.run_at_terminal(&["weigh", "--no-check"], typed).well();
    assert!(ran.err.contains("430 g wet [") || ran.err.contains("430 g wet >"), "{}", ran.err);
    assert!(ran.err.contains("weighed x3: 258 g"), "{}", ran.err);
    assert!(ran.err.contains("undone: 258 g of gloves; it is 86.0 +- 0.7 g again"), "{}", ran.err);
    assert!(ran.err.contains("undone: 430 g of shell jacket A"), "{}", ran.err);
    assert!(ran.err.contains("1 saved on this device"), "{}", ran.err);
    let gloves = device.run(&["item", "show", "gloves", "--json"]).well().json();
    assert_eq!(gloves["mass_g"], 86.0);
    let voided = &gloves["weighings"][0];
    assert_eq!(
        (voided["units"].as_i64(), voided["voided"]["reason"].as_str()),
        (Some(3), Some("undone at the scale"))
    );
    // What was undone was never sent, and is still in the outbox beside its void.
    let ops = device.store().outbox(device.room().id, &[State::Pending]).unwrap();
    let voids = ops.iter().filter(|op| op.action == domain::sync::op::Action::Void).count();
    assert_eq!((voids, ops.len()), (2, 7 + 1 + 3 + 2));
}

#[test]
fn weigh_number_at_the_name_prompt_is_no_name() {
    let device = Device::with_kit();
    let ran = device.run_at_terminal(&["weigh", "--no-check"], "412\n99 g\ns\nq\n").well();
    assert!(ran.err.contains("99 g is a reading"), "{}", ran.err);
    assert_eq!(device.store().item_count(device.room().id).unwrap(), 3);
}

#[test]
fn weigh_input_that_ends_in_the_middle_keeps_what_was_confirmed() {
    let device = Device::with_kit();
    let ran = device.run_at_terminal(&["weigh", "--no-check"], "411\nshell\n90").well();
    assert!(ran.err.contains("90 g was not saved: no item was named"), "{}", ran.err);
    assert!(ran.err.contains("1 saved on this device"), "{}", ran.err);
}

#[test]
fn weigh_nothing_confirmed_leaves_nothing_behind() {
    let device = Device::new();
    device.run(&["kitroom", "new", "Runner A"]).well();
    device.run_at_terminal(&["weigh"], "\n\nq\n").well();
    assert_eq!(device.store().outbox_counts(device.room().id).unwrap().pending, 0);
    assert_eq!(device.run(&["scale", "list"]).well().out, "");
}

#[test]
fn weigh_one_bad_reading_is_refused_with_its_reason() {
    let device = Device::with_kit();
    device.run(&["scale", "add", "small scale", "--reads-to", "0.1", "--capacity", "500"]).well();
    for (args, kind, words) in [
        (&["weigh", "cup", "600", "--scale", "small"][..], Kind::Refused, "over the capacity"),
        (&["weigh", "cup", "0"], Kind::Refused, "above 0 g"),
        (&["weigh", "cup", "31", "--tare", "40"], Kind::Refused, "above 0 g"),
        (&["weigh", "cup", "NaN"], Kind::Usage, "number"),
        (&["weigh", "cup", "31 parsec"], Kind::Usage, "parsec"),
        (&["weigh", "cup", "1,234"], Kind::Usage, "comma"),
        (&["weigh", "cup", "31", "--units", "0"], Kind::Refused, "units"),
        (&["weigh", "cup", "31", "--tare", "heavy"], Kind::Usage, "tare"),
        (&["weigh", "spoon", "31"], Kind::Refused, "--new"),
        (&["weigh", "cup", "31", "--scale", "other"], Kind::Usage, "scale"),
        (&["weigh", "cup"], Kind::Usage, "as in"),
    ] {
        let ran = device.run(args);
        assert_eq!(ran.code, kind.exit_code(), "{args:?}: {}", ran.err);
        assert!(ran.err.contains(words), "{args:?}: {}", ran.err);
    }
    assert_eq!(device.store().outbox_counts(device.room().id).unwrap().pending, 8);
}

#[test]
fn weigh_one_units_of_mass_are_kept_as_typed() {
    let device = Device::with_kit();
    device.run(&["weigh", "cup", "1", "lb", "2.3", "oz"]).well();
    let cup = device.run(&["item", "show", "cup", "--json"]).well().json();
    let weighing = &cup["weighings"][0];
    // 18.3 oz at 28.349 523 125 g (NIST SP 811, appendix B.8).
    assert_eq!(weighing["reading_g"], 518.796);
    assert_eq!(weighing["raw"], serde_json::json!({ "text": "1 lb 2.3 oz", "unit": "oz" }));
    // Read to a tenth of an ounce, which is coarser than the scale's gram.
    assert_eq!(weighing["resolution_g"], 2.835);
    assert_eq!(weighing["scale_id"], serde_json::Value::Null);
}

#[test]
fn weigh_script_in_a_pipe_needs_flags_for_what_would_be_asked() {
    let device = Device::new();
    assert!(device.run(&["weigh", "cup", "31", "--new"]).err.contains("--whose"));
    let ran = device.run(&["weigh", "cup", "31", "--new", "--whose", "Runner A"]);
    assert_eq!(ran.code, Kind::Usage.exit_code());
    assert!(ran.err.contains("--reads-to"), "{}", ran.err);
    let saved = device.run(&["weigh", "cup", "31", "--new", "--reads-to", "1", "--json"]).well().json();
    assert_eq!(saved["saved"][0]["mass_g"], 31.0);
    let piped = device.run_with(&["weigh"], "32\ncup\n").well();
    assert!(piped.err.contains("1 saved on this device"), "{}", piped.err);
    // Where nobody looks on, a doubtful name is an error, and what was confirmed before is kept.
    device.run(&["item", "add", "cup lid"]).well();
    let doubtful = device.run_with(&["weigh"], "40\nlid\n33\ncu\n34\ncup\n");
    assert_eq!(doubtful.code, Kind::Usage.exit_code());
    assert!(doubtful.err.contains("1 saved on this device"), "{}", doubtful.err);
}

#[test]
fn weigh_recording_ten_items_unattended_are_ten_facts() {
    let device = Device::new();
    let names = "shell jacket A,gloves thin,vest,cup,whistle,head lamp,base top,foil blanket,compass,shoes";
    let recording = fixture("scale/ten_items.rec");
    let args = [
        "weigh",
        "--from",
        &recording,
        "--names",
        names,
        "--check",
        "200",
        "--reads-to",
        "1",
        "--whose",
        "Runner A",
    ];
    let ran = device.run(&args).well();
    assert!(ran.err.contains("10 saved on this device; nothing sent yet"), "{}", ran.err);
    // The masses that the recording was made with.
    let expected = [142.0, 31.0, 57.0, 23.0, 86.0, 236.0, 412.0, 896.0, 318.0, 8.0];
    let listed = device.run(&["item", "list", "--json"]).well().json();
    let masses: Vec<f64> =
        listed["items"].as_array().unwrap().iter().map(|item| item["mass_g"].as_f64().unwrap()).collect();
    assert_eq!(masses, expected);
    let lamp = device.run(&["item", "show", "head lamp", "--json"]).well().json();
    assert_eq!(lamp["kind"], "head_lamp");
    assert_eq!(lamp["mass_calibration"], "checked");
    let weighing = &lamp["weighings"][0];
    assert_eq!(weighing["source"], "serial");
    assert!(weighing["samples"].as_i64().unwrap() >= 5 && weighing["spread_g"].is_number(), "{weighing}");
}

#[test]
fn weigh_recording_that_ends_early_names_what_is_missing() {
    let device = Device::new();
    let recording = fixture("scale/bare_numbers.rec");
    let args =
        ["weigh", "--from", &recording, "--names", "vest,cup,map", "--reads-to", "1", "--whose", "Runner A"];
    let ran = device.run(&args);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("no reading for: map"), "{}", ran.err);
    assert!(ran.err.contains("2 saved on this device"), "{}", ran.err);
    let listed = device.run(&["item", "list"]).well().out;
    assert!(listed.contains("vest\tvest\t\t\t248\t") && listed.contains("cup\tcup\t\t\t57\t"), "{listed}");
}

#[test]
fn weigh_recording_of_a_worn_cable_says_what_was_left_out() {
    let device = Device::new();
    let recording = fixture("scale/worn_cable.rec");
    let args = ["weigh", "--from", &recording, "--names", "vest", "--reads-to", "1", "--whose", "Runner A"];
    let ran = device.run(&args);
    assert!(ran.err.contains("was left out"), "{}", ran.err);
    assert!(ran.err.contains("412.0 +- "), "{}", ran.err);
}

#[test]
fn weigh_list_of_names_in_a_file_may_say_the_kind() {
    let device = Device::new();
    let folder = tempfile::tempdir().unwrap();
    let list = folder.path().join("list");
    std::fs::write(&list, "# what goes on\nA\tvest\n\nB\n").unwrap();
    let (recording, list) = (fixture("scale/bare_numbers.rec"), list.to_str().unwrap().to_owned());
    let args = ["weigh", "--from", &recording, "--names", &list, "--reads-to", "1", "--whose", "Runner A"];
    device.run(&args).well();
    let kinds: Vec<String> =
        device.store().items(device.room().id).unwrap().into_iter().map(|line| line.kind).collect();
    assert_eq!(kinds, ["vest", "other"]);
}
