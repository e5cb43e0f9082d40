//! Two devices and a service: what one does, the other sees, and nothing is lost or done twice.

use client_cli::error::{Kind, Result};
use client_cli::local::State;
use client_cli::sync::{Answer, Summary};
use domain::wire::kitroom::{CreateKitroom, Purpose};

use crate::devices::Device;
use crate::model::Line;

pub fn sync(device: &Device, line: &Line) -> Result<Summary> {
    sync_and(device, line, Answer::Later)
}

pub fn sync_and(device: &Device, line: &Line, answer: Answer) -> Result<Summary> {
    client_cli::sync::run(&mut device.store(), &mut line.clone(), &mut |_| Ok(answer))
}

#[track_caller]
pub fn sync_well(device: &Device, line: &Line) -> Summary {
    let summary = sync(device, line).unwrap();
    assert!(summary.troubles.is_empty(), "{:?}", summary.troubles);
    summary
}

#[test]
fn sync_second_device_lists_the_same_kit() {
    let (first, second, line) = (Device::with_kit(), Device::new(), Line::new());
    let sent = sync_well(&first, &line);
    assert_eq!((sent.sent, sent.received, sent.refused), (7, 0, 0));
    let got = sync_well(&second, &line);
    assert_eq!((got.sent, got.received), (0, 7));
    let list = |device: &Device| device.run(&["item", "list"]).well().out;
    assert_eq!(list(&first), list(&second));
    assert_eq!(list(&second).lines().count(), 3);
    assert!(
        first
            .store()
            .outbox(first.room().id, &[State::Pending, State::Sent, State::Acked])
            .unwrap()
            .is_empty()
    );
    assert_eq!(first.room().id, second.room().id);
}

#[test]
fn sync_again_without_changes_moves_nothing() {
    let (device, line) = (Device::with_kit(), Line::new());
    sync_well(&device, &line);
    let before = line.model().records(device.room().id);
    let again = sync_well(&device, &line);
    assert_eq!(again, Summary { clock: again.clock, ..Summary::default() });
    assert_eq!(line.model().records(device.room().id), before);
}

#[test]
fn sync_many_changes_go_in_batches_of_whole_steps() {
    let (device, line) = (Device::new(), Line::new());
    device.run(&["kitroom", "new", "Runner A"]).well();
    let mut store = device.store();
    let room = device.room().id;
    for at in 0..170 {
        let drafts: Vec<_> = (0..7)
            .map(|n| {
                let body = serde_json::json!({ "name": format!("thing {at}-{n}"), "kind": "other" });
                client_cli::local::Draft::make(&domain::kinds::item::KIND, store.new_id(), &body).unwrap()
            })
            .collect();
        store.act(room, &drafts).unwrap();
    }
    drop(store);
    assert_eq!(sync_well(&device, &line).sent, 1190);
    // 71 steps of seven are 497 ops; a 72nd would be 504.
    assert_eq!(line.model().pushes, [497, 497, 196]);
}

#[test]
fn sync_other_fields_of_one_item_merge() {
    let (first, second, line) = two_devices();
    first.run(&["item", "edit", "shell", "--size", "M"]).well();
    second.run(&["item", "edit", "shell", "--maker", "maker A"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    sync_well(&first, &line);
    for device in [&first, &second] {
        let item = device.run(&["item", "show", "shell", "--json"]).well().json();
        assert_eq!((item["size"].as_str(), item["maker"].as_str()), (Some("M"), Some("maker A")));
    }
}

#[test]
fn sync_same_field_changed_on_both_keeps_both_values_and_waits_for_a_person() {
    let (first, second, line) = two_devices();
    first.run(&["item", "edit", "shell", "--size", "M"]).well();
    second.run(&["item", "edit", "shell", "--size", "L"]).well();
    second.run(&["item", "edit", "gloves", "--size", "9"]).well();
    sync_well(&first, &line);
    let summary = sync_well(&second, &line);
    // The contested one holds nothing else up.
    assert_eq!((summary.sent, summary.refused, summary.contested), (2, 0, 1));
    assert_eq!(second.run(&["item", "show", "shell", "--json"]).well().json()["size"], "M");
    assert_eq!(second.run(&["item", "show", "gloves", "--json"]).well().json()["size"], "9");
    assert_eq!(second.run(&["status"]).code, Kind::Waiting.exit_code());

    let shown = second.run_at_terminal(&["conflict", "list"], "");
    assert_eq!(shown.code, Kind::Waiting.exit_code());
    let text = without_times(&shown.out);
    let wanted = " 1  item shell jacket A\n    two people changed the same without knowing of each other\n    \
                  a   size M (stands)\n    b   size L (Runner A, 2026-03-01 HH:MM)\n";
    assert_eq!(text, wanted);
    // What stands is what both see; the other value is there for whoever decides.
    second.run(&["conflict", "settle", "1", "b"]).well();
    assert_eq!(second.run(&["item", "show", "shell", "--json"]).well().json()["size"], "L");
    second.run(&["status"]).well();
    sync_well(&second, &line);
    sync_well(&first, &line);
    for device in [&first, &second] {
        assert_eq!(device.run(&["item", "show", "shell", "--json"]).well().json()["size"], "L");
        assert_eq!(device.run(&["conflict", "list"]).well().err, "nothing waits for you\n");
    }
    assert_eq!(second.run(&["conflict", "settle", "1", "b"]).code, Kind::Refused.exit_code());
}

/// The times of a test's clock, which ticks each time it is read.
fn without_times(text: &str) -> String {
    let mut shown = String::new();
    for (at, part) in text.split("2026-03-01 ").enumerate() {
        shown.push_str(if at == 0 { part } else { "2026-03-01 HH:MM" });
        if at > 0 {
            shown.push_str(&part[5..]);
        }
    }
    shown
}

#[test]
fn sync_own_change_stays_on_top_of_what_is_pulled() {
    let (first, second, line) = two_devices();
    first.run(&["item", "edit", "shell", "--maker", "maker A"]).well();
    sync_well(&first, &line);
    second.run(&["item", "edit", "shell", "--size", "L"]).well();
    // The push does not get through, the pull of a later try does.
    line.model().faults.lose_push_answers = 4;
    assert_eq!(sync(&second, &line).unwrap_err().kind, Kind::Unreachable);
    let own = second.run(&["item", "show", "shell", "--json"]).well().json();
    assert_eq!(own["size"], "L");
    sync_well(&second, &line);
    let both = second.run(&["item", "show", "shell", "--json"]).well().json();
    assert_eq!((both["size"].as_str(), both["maker"].as_str()), (Some("L"), Some("maker A")));
}

#[test]
fn sync_delete_after_own_change_is_no_contradiction() {
    let (device, line) = (Device::with_kit(), Line::new());
    device.run(&["item", "add", "old hat"]).well();
    sync_well(&device, &line);
    let mut store = device.store();
    let room = device.room().id;
    let hat = store.find_items(room, "old hat").unwrap().remove(0);
    let draft = |action| client_cli::local::Draft {
        kind: &domain::kinds::item::KIND,
        record_id: hat.id,
        action,
        payload: serde_json::Map::new(),
    };
    let mut patch = draft(domain::sync::op::Action::Patch);
    patch.payload.insert("size".into(), "M".into());
    store.act(room, &[patch]).unwrap();
    store.act(room, &[draft(domain::sync::op::Action::Delete)]).unwrap();
    assert!(store.find_items(room, "old hat").unwrap().is_empty());
    drop(store);
    let summary = sync_well(&device, &line);
    assert_eq!((summary.sent, summary.refused), (2, 0));
    assert!(device.store().find_items(room, "old hat").unwrap().is_empty());
    let mut store = device.store();
    store.act(room, &[draft(domain::sync::op::Action::Restore)]).unwrap();
    assert_eq!(store.find_items(room, "old hat").unwrap()[0].size.as_deref(), Some("M"));
}

#[test]
fn sync_two_personal_kitrooms_are_joined_on_yes_and_record_ids_stay() {
    let (first, second, line) = (Device::with_kit(), Device::new(), Line::new());
    sync_well(&first, &line);
    second.run(&["kitroom", "new", "Runner A, laptop"]).well();
    second.run(&["item", "add", "gloves"]).well();
    second.run(&["weigh", "vest", "318", "--new", "--reads-to", "1"]).well();
    let offline = second.store().items(second.room().id).unwrap();

    let later = sync_and(&second, &line, Answer::Later).unwrap();
    assert!(later.troubles[0].error.to_string().contains("--join"), "{:?}", later.troubles);
    let joined = sync_and(&second, &line, Answer::Join).unwrap();
    assert_eq!((joined.sent, joined.troubles.len()), (4, 0));
    assert_eq!(joined.twins, ["gloves"]);
    assert_eq!(second.store().kitrooms().unwrap().len(), 1);
    assert_eq!(second.room().id, first.room().id);
    let there = line.model().records(first.room().id);
    for line in offline {
        assert!(there.iter().any(|(kind, id, _)| kind == "item" && *id == line.id), "{}", line.name);
    }
    sync_well(&first, &line);
    assert_eq!(first.run(&["item", "list"]).well().out, second.run(&["item", "list"]).well().out);
    assert_eq!(first.run(&["item", "list"]).well().out.lines().count(), 5);
}

#[test]
fn sync_kept_apart_stays_on_the_device() {
    let (first, second, line) = (Device::with_kit(), Device::with_kit(), Line::new());
    sync_well(&first, &line);
    let apart = sync_and(&second, &line, Answer::Apart).unwrap();
    assert_eq!((apart.sent, apart.troubles.len()), (0, 0));
    assert_eq!(sync_well(&second, &line).sent, 0);
    assert_eq!(second.store().kitrooms().unwrap().len(), 2);
    assert_eq!(line.model().kitroom_ids(), [first.room().id]);
}

#[test]
fn sync_id_taken_by_another_kitroom_gets_a_new_one() {
    let (device, line) = (Device::new(), Line::new());
    device.run(&["kitroom", "new", "Club B", "--club"]).well();
    device.run(&["item", "add", "spare shell jacket"]).well();
    let taken = device.room();
    let other = CreateKitroom {
        id: Some(domain::ids::KitroomId::new(taken.id).unwrap()),
        name: domain::wire::text::Name::new("somebody else's").unwrap(),
        purpose: Purpose::Club,
    };
    line.model().make(&other).unwrap();
    // It is somebody else's: this account does not see it.
    line.model().forgotten.push(taken.id);
    assert_eq!(sync_well(&device, &line).sent, 1);
    assert_ne!(device.room().id, taken.id);
    assert_eq!(line.model().records(device.room().id).len(), 1);
    assert!(line.model().records(taken.id).is_empty());
}

pub fn two_devices() -> (Device, Device, Line) {
    let (first, second, line) = (Device::with_kit(), Device::new(), Line::new());
    sync_well(&first, &line);
    sync_well(&second, &line);
    (first, second, line)
}
