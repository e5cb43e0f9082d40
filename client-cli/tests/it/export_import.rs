//! A kitroom as a file, and back.

use std::fs;

use client_cli::error::Kind;
use client_cli::local::State;
use serde_json::{Value, json};

use crate::devices::Device;
use crate::model::Line;
use crate::syncing::sync_well;

/// A device with something of nearly everything, taken back and deleted records included.
fn lived_in() -> Device {
    let device = Device::with_kit();
    for args in [
        &["weigh", "gloves", "87"][..],
        &["weigh", "undo", "--last"],
        &["weigh", "cup", "33"],
        &["weigh", "correct", "gloves", "--last"],
        &["log", "wash", "shell", "--at", "2026-02-01", "--note", "with \"quotes\", and\ttabs"],
        &["log", "watch", "shell"],
        &["log", "retire", "shell", "--reason", "leak"],
        &["log", "undo", "shell", "--last"],
        &["stock", "add", "12 gel", "--new"],
        &["stock", "take", "2 gel"],
        &["season", "add", "2026"],
    ] {
        device.run(args).well();
    }
    device
}

/// The lines of an export but for the first, without what is given anew on import.
fn records(text: &str) -> Vec<Value> {
    let mut records: Vec<Value> = text
        .lines()
        .skip(1)
        .map(|line| {
            let mut value: Value = serde_json::from_str(line).unwrap();
            let record = value["record"].as_object_mut().unwrap();
            for given in ["version", "created_by", "recorded_by", "recorded_at"] {
                record.remove(given);
            }
            if let Some(voided) = record.get_mut("voided").and_then(Value::as_object_mut) {
                voided.retain(|field, _| field == "reason");
            }
            value
        })
        .collect();
    records.sort_by_key(Value::to_string);
    records
}

fn file(device: &Device, name: &str, text: &str) -> String {
    let path = device.home().parent().unwrap().join(name);
    fs::write(&path, text).unwrap();
    path.to_str().unwrap().to_owned()
}

#[test]
fn export_and_import_give_the_same_kitroom_and_twice_doubles_nothing() {
    let first = lived_in();
    let text = first.run(&["export"]).well().out;
    let head: Value = serde_json::from_str(text.lines().next().unwrap()).unwrap();
    assert_eq!((&head["tarebook_export"], &head["kitroom"]["name"]), (&json!(1), &json!("Runner A")));
    assert_eq!(head["records"], json!(text.lines().count() - 1));

    let second = Device::new();
    let path = file(&second, "kit.jsonl", &text);
    let ran = second.run(&["import", &path, "--json"]).well().json();
    assert_eq!((&ran["kitroom"], &ran["taken_in"]), (&json!("Runner A"), &head["records"]));
    assert_eq!(records(&second.run(&["export"]).well().out), records(&text));
    for args in
        [&["item", "list", "--all"][..], &["stock", "show"], &["log", "show", "shell"], &["season", "list"]]
    {
        assert_eq!(second.run(args).well().out, first.run(args).well().out, "{args:?}");
    }
    assert!(second.store().masses_out_of_step(second.room().id).unwrap().is_empty());

    let pending = || second.store().outbox_counts(second.room().id).unwrap().pending;
    let before = pending();
    let again = second.run(&["import", &path, "--json"]).well().json();
    assert_eq!((&again["taken_in"], &again["already"]), (&json!(0), &head["records"]));
    assert_eq!(pending(), before);
}

#[test]
fn import_is_sent_like_everything_else() {
    let (first, second, third, line) = (lived_in(), Device::new(), Device::new(), Line::new());
    let path = file(&second, "kit.jsonl", &first.run(&["export"]).well().out);
    second.run(&["import", &path]).well();
    sync_well(&second, &line);
    sync_well(&third, &line);
    let list = |device: &Device| device.run(&["item", "list", "--all"]).well().out;
    assert_eq!(list(&third), list(&first));
}

#[test]
fn import_many_records_go_out_in_groups_that_fit_a_push() {
    let (device, line) = (Device::new(), Line::new());
    let head =
        json!({ "tarebook_export": 1, "kitroom": { "name": "Club B", "purpose": "club" }, "records": 1203 });
    let id = |n: usize| format!("0190a000-0000-7000-8000-{n:012}");
    let mut text = format!("{head}\n");
    for n in 0..1203 {
        let item =
            json!({ "id": id(n), "name": format!("vest {n}"), "kind": "vest", "notes": "n".repeat(900) });
        text.push_str(&format!("{}\n", json!({ "kind": "item", "record": item })));
    }
    device.run(&["import", &file(&device, "club.jsonl", &text)]).well();
    assert_eq!(device.room().purpose.name(), "club");
    let ops = device.store().outbox(device.room().id, &[State::Pending]).unwrap();
    assert_eq!(ops.len(), 1203);
    assert!(ops.chunk_by(|a, b| a.group == b.group).all(|group| group.len() <= 100));
    assert_eq!(sync_well(&device, &line).sent, 1203);
}

#[test]
fn import_any_order_of_lines_will_do() {
    let first = lived_in();
    let text = first.run(&["export"]).well().out;
    let mut lines: Vec<&str> = text.lines().collect();
    lines[1..].reverse();
    let second = Device::new();
    second.run(&["import", &file(&second, "kit.jsonl", &lines.join("\n"))]).well();
    assert_eq!(records(&second.run(&["export"]).well().out), records(&text));
}

#[test]
fn import_what_is_here_with_other_content_stays_and_is_named() {
    let device = lived_in();
    let path = file(&device, "kit.jsonl", &device.run(&["export"]).well().out);
    device.run(&["item", "edit", "cup", "--notes", "newer"]).well();
    let ran = device.run(&["import", &path]).well();
    assert!(ran.err.contains("1 record here with other content, which stays: item cup"), "{}", ran.err);
    let cup = device.run(&["item", "show", "cup", "--json"]).well().json();
    assert_eq!(cup["notes"], "newer");
}

#[test]
fn import_every_bad_line_is_listed_and_nothing_is_stored() {
    let device = Device::with_kit();
    let id = |n: usize| format!("0190a000-0000-7000-8000-{n:012}");
    let item = |n: usize, name: &str| json!({ "kind": "item", "record": { "id": id(n), "name": name, "kind": "vest" } });
    let weighing = |n: usize, item: usize| {
        json!({ "kind": "weighing", "record": {
            "id": id(n), "item_id": id(item), "resolution_g": 1, "reading_g": 5, "observed_at": "2026-02-01T08:00:00Z" } })
    };
    let lines = [
        json!({ "tarebook_export": 1, "kitroom": { "name": "x" } }).to_string(),
        item(1, "vest A").to_string(),
        "{ broken".to_owned(),
        json!({ "kind": "spoon", "record": { "id": id(2) } }).to_string(),
        item(3, "").to_string(),
        weighing(4, 3).to_string(),
        weighing(5, 99).to_string(),
        item(1, "vest A").to_string(),
        json!({ "kind": "item", "record": { "name": "no id", "kind": "vest" } }).to_string(),
        json!({ "kind": "item", "record": { "id": "7", "name": "x", "kind": "vest" } }).to_string(),
    ];
    let ran = device.run(&["import", &file(&device, "kit.jsonl", &lines.join("\n"))]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    for words in [
        "8 lines are bad",
        "line 3: no JSON",
        "line 4: this version knows no kind spoon",
        "line 5: name: must not be empty",
        "line 6: item_id: there is no item",
        "line 7: item_id: there is no item",
        "line 8: the record of line 2 again",
        "line 9: the record has no id",
        "line 10: the id: not a UUID",
    ] {
        assert!(ran.err.contains(words), "{words}: {}", ran.err);
    }
    assert!(ran.err.lines().all(|line| line.chars().count() <= 80), "{}", ran.err);
    assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 3);
}

#[test]
fn import_a_rule_that_a_line_breaks_is_said_with_its_line() {
    let device = Device::with_kit();
    let id = "0190a000-0000-7000-8000-000000000001";
    let season = json!({ "id": id, "name": "x", "from_on": "2026-02-01", "to_on": "2026-01-01" });
    let text = format!(
        "{}\n{}\n",
        json!({ "tarebook_export": 1, "kitroom": { "name": "x" } }),
        json!({ "kind": "season", "record": season })
    );
    let ran = device.run(&["import", &file(&device, "kit.jsonl", &text)]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("line 2: to_on: the season ends on 2026-01-01"), "{}", ran.err);
    assert_eq!(device.run(&["season", "list"]).well().out, "");
}

#[test]
fn import_files_that_are_none_are_refused() {
    let device = Device::with_kit();
    for (name, text, words) in [
        ("empty", "{}", "line 1 has no tarebook_export"),
        ("later", "{\"tarebook_export\":2}", "format 2, this version knows 1"),
        ("short", "{\"tarebook_export\":1,\"records\":3}\n", "the file is cut short"),
        ("torn", "{\"tarebook", "line 1 is no JSON"),
        ("blank", "", "no column is the name"),
    ] {
        let ran = device.run(&["import", &file(&device, name, text)]);
        assert_eq!(ran.code, Kind::Refused.exit_code(), "{name}: {}", ran.err);
        assert!(ran.err.contains(words), "{name}: {}", ran.err);
    }
    let ran = device.run(&["import", "/nowhere/at/all"]);
    assert_eq!(ran.code, Kind::Usage.exit_code());
    let bytes = device.home().parent().unwrap().join("bytes");
    fs::write(&bytes, [0xff, 0xfe, 0x00]).unwrap();
    let ran = device.run(&["import", bytes.to_str().unwrap()]);
    assert!(ran.err.contains("it is no text"), "{}", ran.err);
}

#[test]
fn import_dry_run_says_what_would_be_and_stores_nothing() {
    let first = lived_in();
    let second = Device::new();
    let path = file(&second, "kit.jsonl", &first.run(&["export"]).well().out);
    let ran = second.run(&["import", &path, "--dry-run"]).well();
    assert!(ran.err.contains("would be taken into Runner A"), "{}", ran.err);
    assert!(second.store().kitrooms().unwrap().is_empty());
    // A file that is refused leaves no kitroom behind either.
    let broken = file(&second, "broken.jsonl", "{\"tarebook_export\":1,\"kitroom\":{\"name\":\"x\"}}\nno\n");
    assert_eq!(second.run(&["import", &broken]).code, Kind::Refused.exit_code());
    assert!(second.store().kitrooms().unwrap().is_empty());
}

#[test]
fn export_into_a_file_is_private_and_never_written_over_unasked() {
    let device = lived_in();
    let path = device.home().parent().unwrap().join("kit.jsonl");
    let name = path.to_str().unwrap();
    let ran = device.run(&["export", name]).well();
    assert!(ran.err.contains("of Runner A written to"), "{}", ran.err);
    let ran = device.run(&["export", name]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("is there already"), "{}", ran.err);
    let json = device.run(&["export", name, "--force", "--json"]).well().json();
    assert_eq!(json["left_out"], 0);
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        assert_eq!(fs::metadata(&path).unwrap().permissions().mode() & 0o777, 0o600);
    }
    let ran = device.run(&["export", "/nowhere/kit.jsonl"]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
}

#[test]
fn import_a_table_of_items_makes_them_once() {
    let device = Device::with_kit();
    let table = "Item;kind;label mass g;Hood;attributes.denier;notes\n\
                 shell jacket B;;0,412 kg;yes;40;\"with; semicolon\"\n\
                 gel;food;42;;;\n\
                 cup;;;;;\n";
    let path = file(&device, "kit.csv", table);
    let args = ["import", &path, "--map", "name=item"];
    let ran = device.run(&args).well();
    assert!(ran.err.contains("2 records taken into Runner A\n1 record here already"), "{}", ran.err);
    let shell = device.run(&["item", "show", "shell jacket B", "--json"]).well().json();
    assert_eq!(
        (
            &shell["kind"],
            &shell["label_mass_g"],
            &shell["hood"],
            &shell["attributes"]["denier"],
            &shell["notes"]
        ),
        (&json!("shell_jacket"), &json!(412), &json!(true), &json!(40), &json!("with; semicolon"))
    );
    let again = device.run(&[&args[..], &["--json"]].concat()).well().json();
    assert_eq!((&again["taken_in"], &again["already"]), (&json!(0), &json!(3)));
}

#[test]
fn import_a_bad_table_is_told_by_line_and_nothing_is_made() {
    let device = Device::with_kit();
    let path = file(
        &device,
        "kit.csv",
        "name,kind,hood,lumens\nlamp,head_lamp,,bright\nx,spoon,perhaps,\ny,vest\nz,vest,,\nz,vest,,\n",
    );
    let ran = device.run(&["import", &path]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    for words in [
        "4 lines are bad",
        "line 2: lumens bright: a number is wanted",
        "line 3: hood perhaps: yes or no is wanted; kind:",
        "line 4: the row has 2 cells and the header 4",
        "line 6: an item of this name and tag is in line 5 too",
    ] {
        assert!(ran.err.contains(words), "{words}: {}", ran.err);
    }
    assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 3);
    for (table, args, words) in [
        ("thing,kind\na,vest\n", &[][..], "no column is the name"),
        ("name,colour\na,red\n", &[], "nothing is known of the columns colour"),
        ("name\na\n", &["--map", "colour=name"], "no field colour"),
        ("name\na\n", &["--map", "tag=mark"], "no column mark"),
        ("name\na\n", &["--map", "tag"], "not FIELD=COLUMN"),
        ("name\n", &[], "no rows below its header"),
        ("name,head_mm\na,\"20,000\"\n", &[], "its comma may part"),
        ("name,attributes.denier\na,\"1,000\"\n", &[], "its comma may part"),
    ] {
        let path = file(&device, "other.csv", table);
        let ran = device.run(&[&["import", &path][..], args].concat());
        assert_ne!(ran.code, 0, "{table}");
        assert!(ran.err.contains(words), "{table}: {}", ran.err);
    }
}
