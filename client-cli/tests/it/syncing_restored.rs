//! A service put back to a backup, a device put back to a backup, a folder on another machine, a clock that is wrong, a
//! service of another version: nothing is lost, and the screen says what to do.

use client_cli::error::Kind;
use client_cli::local::{Moved, State};

use crate::devices::Device;
use crate::linking::{Service, TOKEN};
use crate::model::Line;
use crate::syncing::{sync, sync_well, two_devices};

#[test]
fn sync_new_epoch_of_a_service_that_lost_nothing_asks_for_nothing() {
    let (first, _, line) = two_devices();
    first.run(&["item", "edit", "cup", "--size", "S"]).well();
    line.model().new_epoch();
    let summary = sync_well(&first, &line);
    assert_eq!((summary.sent, summary.restored.len()), (1, 0));
    assert_eq!(first.run(&["item", "list"]).well().out.lines().count(), 3);
    assert!(first.store().masses_out_of_step(first.room().id).unwrap().is_empty());
    first.run(&["status"]).well();
}

#[test]
fn sync_restored_service_gets_back_what_a_person_says() {
    let (first, second, line) = two_devices();
    let room = first.room().id;
    let backup = line.model().backup();
    first.run(&["weigh", "map", "12", "--new", "--reads-to", "1"]).well();
    first.run(&["item", "edit", "shell", "--size", "M"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    line.model().restore(backup);
    // Somebody goes on with what was restored.
    second.run(&["item", "edit", "gloves", "--size", "9"]).well();

    let summary = sync_well(&first, &line);
    assert_eq!(summary.restored, [("Runner A".to_owned(), 3)]);
    // What the service has is shown, and what it may have lost waits; nothing was done by itself.
    assert_eq!(first.run(&["item", "list"]).well().out.lines().count(), 3);
    assert_eq!(line.model().records(room).len(), 7);
    assert_eq!(first.run(&["status"]).code, Kind::Waiting.exit_code());
    let listed = first.run(&["conflict", "list"]);
    assert!(listed.out.contains("item map") && listed.out.contains("size M"), "{}", listed.out);

    let decided = first.run(&["conflict", "settle", "--all-lost", "b"]).well();
    assert!(decided.err.contains("3 decided"), "{}", decided.err);
    first.run(&["status"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    sync_well(&first, &line);
    for device in [&first, &second] {
        let shown = device.run(&["item", "show", "shell", "--json"]).well().json();
        assert_eq!(shown["size"], "M");
        assert_eq!(device.run(&["item", "show", "gloves", "--json"]).well().json()["size"], "9");
        assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 4);
        assert!(device.store().masses_out_of_step(room).unwrap().is_empty());
        assert!(device.store().kinds_out_of_step(room, &line.model().digest(room)).unwrap().is_empty());
    }
    // The second device has lost nothing either: what it had is there again.
    assert_eq!(second.store().waiting(room).unwrap().all(), 0);
}

#[test]
fn sync_service_that_was_restored_twice_gets_back_what_it_lost_each_time() {
    let (first, second, line) = two_devices();
    let room = first.room().id;
    let backup = line.model().backup();
    let again = line.model().backup();
    for (backup, edit) in [
        (backup, ["--set", "colour=blue", "--size", "M", "--tag", "A1"]),
        (again, ["--maker", "x", "--size", "L", "--notes", "n"]),
    ] {
        first.run(&[&["item", "edit", "shell"], &edit[..]].concat()).well();
        sync_well(&first, &line);
        line.model().restore(backup);
        sync_well(&first, &line);
    }
    // Nobody has decided about what was lost the first time when it happens again: both states wait.
    assert_eq!(first.store().waiting(room).unwrap().lost, 2);
    let listed = first.run(&["conflict", "list"]).out;
    for part in [" 1  item shell", " 2  item shell", "size M", "colour blue", "size L", "maker x"] {
        assert!(listed.contains(part), "{part}: {listed}");
    }
    first.run(&["conflict", "settle", "--all-lost", "b"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    for device in [&first, &second] {
        let shown = device.run(&["item", "show", "shell", "--json"]).well().json();
        let fields =
            ["size", "tag", "maker", "notes"].map(|field| shown[field].as_str().unwrap_or("-").to_owned());
        // The later of both holds where they differ.
        assert_eq!(fields, ["L", "A1", "x", "n"], "{shown}");
        assert_eq!(shown["attributes"]["colour"], "blue", "{shown}");
        assert_eq!(device.store().waiting(room).unwrap().all(), 0);
    }
}

#[test]
fn sync_what_one_device_brings_back_waits_on_no_other() {
    let (first, second, line) = two_devices();
    let backup = line.model().backup();
    first.run(&["item", "edit", "shell", "--size", "M"]).well();
    first.run(&["weigh", "cup", "32"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    line.model().restore(backup);
    for device in [&first, &second] {
        sync_well(device, &line);
        let listed = device.run(&["conflict", "list"]);
        assert!(
            listed.out.contains("weighing of cup") && listed.out.contains("reading 32 g"),
            "{}",
            listed.out
        );
        // People know things by their names and readings.
        let ids = ["item id", "019", "raw"];
        assert!(ids.iter().all(|id| !listed.out.contains(id)), "{}", listed.out);
    }
    first.run(&["conflict", "settle", "--all-lost", "b"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    second.run(&["status"]).well();
    assert_eq!(second.run(&["item", "show", "shell", "--json"]).well().json()["size"], "M");
}

#[test]
fn sync_two_devices_that_bring_back_one_item_put_together_what_they_knew() {
    let (first, second, line) = two_devices();
    let backup = line.model().backup();
    first.run(&["item", "add", "map", "--kind", "other", "--size", "S"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    // The first device never gets this.
    second.run(&["item", "edit", "map", "--size", "M", "--tag", "A7"]).well();
    sync_well(&second, &line);
    line.model().restore(backup);
    for device in [&first, &second] {
        sync_well(device, &line);
        device.run(&["conflict", "settle", "--all-lost", "b"]).well();
    }
    sync_well(&first, &line);
    let summary = sync_well(&second, &line);
    assert_eq!((summary.refused, summary.contested), (0, 1));
    let shown = second.run(&["item", "show", "map", "--json"]).well().json();
    assert_eq!((&shown["size"], &shown["tag"]), (&"S".into(), &"A7".into()));
    let listed = second.run(&["conflict", "list"]);
    assert!(
        listed.out.contains("size") && listed.out.contains("S") && listed.out.contains('M'),
        "{}",
        listed.out
    );
    second.run(&["conflict", "settle", "1", "b"]).well();
    sync_well(&second, &line);
    sync_well(&first, &line);
    assert_eq!(first.run(&["item", "show", "map", "--json"]).well().json()["size"], "M");
    for device in [&first, &second] {
        assert_eq!(device.store().waiting(device.room().id).unwrap().all(), 0);
    }
}

/// A restored service has lost the first device's size M; the second device, which was not there, has gone on with what it
/// has.
fn lost_and_written_since() -> (Device, Device, Line) {
    let (first, second, line) = two_devices();
    let backup = line.model().backup();
    first.run(&["item", "edit", "shell", "--size", "M"]).well();
    sync_well(&first, &line);
    line.model().restore(backup);
    second.run(&["item", "edit", "shell", "--size", "L", "--tag", "A7"]).well();
    sync_well(&second, &line);
    sync_well(&first, &line);
    (first, second, line)
}

#[test]
fn sync_all_lost_b_takes_nothing_from_what_was_written_on_the_restored_service() {
    let (first, second, line) = lost_and_written_since();
    first.run(&["conflict", "settle", "--all-lost", "b"]).well();
    assert_eq!(sync_well(&first, &line).contested, 1);
    sync_well(&second, &line);
    for device in [&first, &second] {
        let shown = device.run(&["item", "show", "shell", "--json"]).well().json();
        assert_eq!((&shown["size"], &shown["tag"]), (&"L".into(), &"A7".into()));
    }
    let shown = first.run(&["conflict", "show", "1"]).out;
    assert!(shown.contains('L') && shown.contains('M'), "{shown}");
}

#[test]
fn sync_one_lost_record_decided_by_itself_becomes_what_it_was() {
    let (first, _, line) = lost_and_written_since();
    first.run(&["conflict", "settle", "1", "b"]).well();
    assert_eq!(sync_well(&first, &line).contested, 0);
    let shown = first.run(&["item", "show", "shell", "--json"]).well().json();
    assert_eq!((&shown["size"], shown["tag"].is_null()), (&"M".into(), true));
}

#[test]
fn sync_unsent_facts_of_what_was_lost_go_along_when_it_is_brought_back() {
    let (first, second, line) = two_devices();
    let room = first.room().id;
    let backup = line.model().backup();
    first.run(&["item", "add", "map", "--kind", "other"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    line.model().restore(backup);
    for (device, grams) in [(&first, "12"), (&second, "13")] {
        device.run(&["weigh", "map", grams]).well();
        device.run(&["item", "edit", "map", "--tag", grams]).well();
        let summary = sync_well(device, &line);
        assert_eq!((summary.refused, summary.taken_up), (2, 0));
        assert_eq!(device.store().waiting(room).unwrap().all(), 3);
        // What is not here any more is told by its name, not by its id.
        let listed = device.run(&["conflict", "list"]).out;
        assert!(listed.contains("weighing of map"), "{listed}");
        assert_eq!(listed.matches("there is no item map").count(), 2, "{listed}");
    }
    // The one who brings it back brings along what was done with it.
    let decided = first.run(&["conflict", "settle", "--all-lost", "b"]).well();
    let words = decided.err.replace('\n', " ");
    assert!(words.contains("2 refused changes go along, since what they name is there again"), "{words}");
    assert_eq!(sync_well(&first, &line).refused, 0);
    first.run(&["status"]).well();
    // The other one's goes along by itself.
    let summary = sync_well(&second, &line);
    assert_eq!((summary.refused, summary.taken_up, summary.contested), (0, 2, 1));
    sync_well(&first, &line);
    for device in [&first, &second] {
        let shown = device.run(&["item", "show", "map", "--json"]).well().json();
        assert_eq!((&shown["mass_n"], &shown["tag"]), (&2.into(), &"12".into()), "{shown}");
        let waiting = device.store().waiting(room).unwrap();
        assert_eq!((waiting.refused, waiting.lost), (0, 0));
    }
}

#[test]
fn sync_restored_service_and_a_person_who_lets_it_be() {
    let (first, second, line) = two_devices();
    let backup = line.model().backup();
    first.run(&["item", "edit", "shell", "--size", "M"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    line.model().restore(backup);
    sync_well(&first, &line);
    first.run_at_terminal(&["conflict", "settle"], "a\n").well();
    assert!(first.run(&["item", "show", "shell", "--json"]).well().json()["size"].is_null());
    first.run(&["status"]).well();
    assert_eq!(sync_well(&first, &line).sent, 0);
}

#[test]
fn sync_op_that_a_restored_service_took_and_lost_is_sent_again() {
    let (first, _, line) = two_devices();
    let room = first.room().id;
    let backup = line.model().backup();
    first.run(&["item", "edit", "shell", "--size", "M"]).well();
    // The push is taken, and the line breaks before anything is pulled.
    line.model().faults.pages_left = Some(0);
    assert_eq!(sync(&first, &line).unwrap_err().kind, Kind::Unreachable);
    assert_eq!(first.store().outbox(room, &[State::Acked]).unwrap().len(), 1);
    line.model().faults.pages_left = None;
    line.model().restore(backup);
    assert_eq!(sync_well(&first, &line).restored.len(), 0);
    let shell =
        line.model().records(room).into_iter().find(|(_, _, record)| record["name"] == "shell jacket A");
    assert_eq!(shell.unwrap().2["size"], "M");
    first.run(&["status"]).well();
}

#[test]
fn sync_device_put_back_to_a_backup_becomes_another_one_and_loses_nothing() {
    let (first, second, line) = two_devices();
    let backup = first.copied();
    first.run(&["item", "edit", "cup", "--size", "S"]).well();
    first.run(&["weigh", "cup", "32"]).well();
    sync_well(&first, &line);
    // The disk dies, the backup is put in its place, and work goes on.
    drop(first);
    backup.run(&["item", "edit", "gloves", "--size", "9"]).well();
    assert_eq!(sync_well(&backup, &line).sent, 1);
    sync_well(&second, &line);
    assert_eq!(backup.run(&["item", "show", "cup", "--json"]).well().json()["size"], "S");
    assert_eq!(backup.run(&["item", "list"]).well().out, second.run(&["item", "list"]).well().out);
}

#[test]
fn sync_folder_on_another_machine_asks_whether_it_has_moved() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    device.run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], TOKEN).well();
    let copy = device.copied();
    assert_eq!(copy.store().moved().unwrap(), Some(Moved::OtherFile));
    assert_eq!(device.store().moved().unwrap(), None);
    let before = copy.store().replica_id().unwrap();
    let ran = copy.run_at_terminal(&["sync"], "n\n").well();
    assert!(ran.err.contains("is the other one still in use?"), "{}", ran.err);
    assert_eq!(copy.store().replica_id().unwrap(), before);
    assert_eq!(copy.store().moved().unwrap(), None);

    let another = device.copied();
    another.run(&["item", "edit", "cup", "--size", "S"]).well();
    // Nobody is there to ask: the safe way is taken, and told.
    let ran = another.run(&["sync"]).well();
    assert!(ran.err.contains("a device of its own"), "{}", ran.err);
    assert!(ran.err.ends_with("sent 1, received 0\n"), "{}", ran.err);
    assert_ne!(another.store().replica_id().unwrap(), before);
}

#[test]
fn sync_clock_that_is_wrong_is_told_and_changes_nothing() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    device.run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], TOKEN).well();
    for (days, words) in [(3, "3 days ahead of"), (-13, "10 days behind")] {
        device.wait_days(days);
        device.run(&["item", "edit", "cup", "--size", &format!("S{days}")]).well();
        let ran = device.run(&["sync"]).well();
        assert!(ran.err.contains(words) && ran.err.contains("set it right"), "{}", ran.err);
        assert!(ran.err.ends_with("sent 1, received 0\n"), "{}", ran.err);
    }
    let report = device.run(&["doctor", "--json"]);
    let clock = report.json()["findings"].as_array().unwrap().iter().find(|f| f["about"] == "clock").cloned();
    assert_eq!(clock.unwrap()["ok"], false);
}

#[test]
fn sync_service_of_another_version_keeps_the_outbox_and_says_what_to_do() {
    let (first, second, line) = two_devices();
    first.run(&["item", "edit", "shell", "--maker", "maker A"]).well();
    sync_well(&first, &line);
    second.run(&["item", "edit", "cup", "--size", "S"]).well();
    for (versions, words) in [((2, 3), "update tare"), ((0, 0), "ask whoever runs the service")] {
        line.model().schema = versions;
        let summary = sync(&second, &line).unwrap();
        let error = summary.troubles[0].error.to_string();
        assert!(error.contains(words) && error.contains("1 change is kept"), "{error}");
        assert_eq!(summary.sent, 0);
    }
    // What others did came all the same.
    assert_eq!(second.run(&["item", "show", "shell", "--json"]).well().json()["maker"], "maker A");
    assert_eq!(second.store().outbox_counts(second.room().id).unwrap().pending, 1);
    line.model().schema = (1, 1);
    assert_eq!(sync_well(&second, &line).sent, 1);
}

#[test]
fn sync_reset_gets_everything_anew_and_sends_what_was_not_sent() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    device.run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], TOKEN).well();
    device.run(&["item", "edit", "cup", "--size", "S"]).well();
    // A disk has changed something in silence.
    let database = rusqlite::Connection::open(client_cli::local::Store::file(&device.home())).unwrap();
    database
        .execute("UPDATE base SET record = replace(record, 'gloves', 'glovez') WHERE kind = 'item'", [])
        .unwrap();
    drop(database);
    let ran = device.run(&["sync", "--verify"]);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.out.contains("item: 3 each, not all alike") && ran.err.contains("--reset"), "{ran:?}");
    device.run(&["weigh", "cup", "32"]).well();
    device.run(&["sync", "--reset"]).well();
    let ran = device.run(&["sync", "--verify"]).well();
    assert!(ran.out.contains("the same, 8 records"), "{}", ran.out);
    assert_eq!(device.run(&["item", "show", "cup", "--json"]).well().json()["size"], "S");
    device.run(&["item", "show", "gloves"]).well();
    device.run(&["status"]).well();
}
