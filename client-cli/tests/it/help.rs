//! The command line as a person reads it.

use crate::devices::Device;

#[test]
fn help_of_every_command_is_as_agreed() {
    let device = Device::new();
    let mut text = String::new();
    let commands: &[&[&str]] = &[
        &[],
        &["weigh"],
        &["item"],
        &["item", "add"],
        &["item", "list"],
        &["item", "show"],
        &["item", "edit"],
        &["log"],
        &["log", "use"],
        &["log", "wash"],
        &["log", "inspect"],
        &["log", "head"],
        &["log", "retire"],
        &["log", "undo"],
        &["stock"],
        &["stock", "add"],
        &["stock", "take"],
        &["attention"],
        &["trend"],
        &["trend", "head"],
        &["season"],
        &["season", "add"],
        &["export"],
        &["import"],
        &["item", "pocket"],
        &["sheet"],
        &["sheet", "import"],
        &["sheet", "show"],
        &["sheet", "diff"],
        &["sheet", "copy"],
        &["race"],
        &["race", "add"],
        &["race", "show"],
        &["race", "edit"],
        &["race", "plan"],
        &["race", "copy"],
        &["loadout"],
        &["loadout", "new"],
        &["loadout", "use"],
        &["loadout", "put"],
        &["loadout", "drop"],
        &["loadout", "edit"],
        &["loadout", "show"],
        &["loadout", "verdicts"],
        &["loadout", "lightest"],
        &["loadout", "compare"],
        &["loadout", "seal"],
        &["loadout", "unseal"],
        &["loadout", "used"],
        &["loadout", "print"],
        &["kit-check"],
        &["season", "ledger"],
        &["scale"],
        &["scale", "add"],
        &["kitroom"],
        &["kitroom", "new"],
        &["kitroom", "use"],
        &["kitroom", "invite"],
        &["kitroom", "join"],
        &["kitroom", "members"],
        &["kitroom", "members", "role"],
        &["kitroom", "members", "remove"],
        &["link"],
        &["unlink"],
        &["sync"],
        &["status"],
        &["conflict"],
        &["conflict", "show"],
        &["conflict", "settle"],
        &["doctor"],
        &["completions"],
        &["man"],
    ];
    for command in commands {
        let ran = device.run(&[command, &["--help"][..]].concat()).well();
        text.push_str(&format!("$ tare {} --help\n{}\n", command.join(" "), ran.out));
    }
    insta::assert_snapshot!("help", text);
    assert!(!device.home().exists(), "asking for help must not make a folder");
}

#[test]
fn completions_and_manual_name_every_command() {
    let device = Device::new();
    for shell in ["bash", "zsh", "fish"] {
        assert!(device.run(&["completions", shell]).well().out.contains("kitroom"), "{shell}");
    }
    assert!(device.run(&["man"]).well().out.contains(".TH tare 1"));
    let folder = tempfile::tempdir().unwrap();
    device.run(&["man", "--to", folder.path().to_str().unwrap()]).well();
    let pages: Vec<String> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|e| e.unwrap().file_name().into_string().unwrap())
        .collect();
    for page in ["tare.1", "tare-weigh.1", "tare-item-list.1", "tare-conflict-settle.1"] {
        assert!(pages.iter().any(|name| name == page), "{page} of {pages:?}");
    }
}

#[test]
fn unknown_command_is_a_usage_error_and_prints_nothing_on_standard_output() {
    let device = Device::new();
    let ran = device.run(&["weight"]);
    assert_eq!((ran.code, ran.out.as_str()), (2, ""));
    assert!(ran.err.contains("weigh"), "{}", ran.err);
    let json = device.run(&["status", "--json", "--kitroom", "x"]).well().json();
    assert_eq!(json["kitrooms"], serde_json::json!([]));
}

#[test]
fn error_as_json_has_kind_what_why_and_hint() {
    let device = Device::with_kit();
    let ran = device.run(&["--json", "weigh", "cup", "0"]);
    let error: serde_json::Value = serde_json::from_str(ran.err.lines().last().unwrap()).unwrap();
    assert_eq!(error["error"]["kind"], "refused");
    assert_eq!(error["error"]["problem"]["errors"][0]["pointer"], "/reading_g");
    assert_eq!(ran.out, "");
}
