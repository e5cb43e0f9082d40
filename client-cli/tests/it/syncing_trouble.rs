//! Crashes, lost answers, restored backups and closed doors: whatever happens, what a person did is still here.

use client_cli::error::Kind;
use client_cli::local::State;
use client_cli::remote::{Page, Remote};
use domain::sync::client::{Effect, Event, Patience};
use domain::wire::sync::RemovedKitroom;

use crate::devices::Device;
use crate::model::{Line, NOW};
use crate::syncing::{sync, sync_well, two_devices};

#[test]
fn sync_answer_lost_is_asked_again_and_nothing_is_done_twice() {
    let (device, line) = (Device::with_kit(), Line::new());
    line.model().faults.lose_push_answers = 1;
    assert_eq!(sync_well(&device, &line).sent, 7);
    assert_eq!(line.model().pushes, [7, 7]);
    assert_eq!(line.model().records(device.room().id).len(), 7);
}

#[test]
fn sync_killed_after_sending_goes_on_where_it_was() {
    let (device, line) = (Device::with_kit(), Line::new());
    let room = device.room().id;
    // The batch is marked and sent, the service has done it, and the process dies before the answer.
    {
        let mut store = device.store();
        line.clone().create_kitroom(&wanted(&device)).unwrap();
        let mut machine = store.machine(Patience::SHORT).unwrap();
        store.step(&mut machine, Event::Joined { kitroom: room }, None).unwrap();
        let stepped = store.step(&mut machine, Event::Sync { kitroom: room }, None).unwrap();
        let [Effect::Push { replica, ops, .. }] = &stepped.effects[..] else { panic!("{stepped:?}") };
        let request = domain::wire::sync::PushRequest {
            replica_id: *replica,
            schema_version: 1,
            ops: store.to_push(room, ops).unwrap(),
            cursor: None,
            ack: None,
        };
        line.clone().push(room, &request).unwrap();
    }
    let sent = device.store().outbox(room, &[State::Sent]).unwrap();
    assert_eq!(sent.len(), 7);
    device.run(&["item", "edit", "cup", "--size", "S"]).well();
    assert_eq!(sync_well(&device, &line).sent, 8);
    assert_eq!(line.model().records(room).len(), 7);
    assert_eq!(device.run(&["status", "--json"]).well().json()["kitrooms"][0]["pending"], 0);
}

fn wanted(device: &Device) -> domain::wire::kitroom::CreateKitroom {
    let room = device.room();
    domain::wire::kitroom::CreateKitroom {
        id: Some(domain::ids::KitroomId::new(room.id).unwrap()),
        name: domain::wire::text::Name::new(&room.name).unwrap(),
        purpose: room.purpose,
    }
}

#[test]
fn sync_line_cut_between_pages_keeps_whole_pages_and_resumes() {
    let (first, second, line) = (Device::with_kit(), Device::new(), Line::new());
    sync_well(&first, &line);
    line.model().page = 2;
    line.model().faults.pages_left = Some(2);
    assert_eq!(sync(&second, &line).unwrap_err().kind, Kind::Unreachable);
    let half = second.room();
    assert_eq!(half.base_seq, 4);
    assert!(half.cursor.unwrap().starts_with("4@"));
    // What is there is consistent: masses are those of what has arrived.
    assert!(second.store().masses_out_of_step(half.id).unwrap().is_empty());
    line.model().faults.pages_left = None;
    assert_eq!(sync_well(&second, &line).received, 3);
    assert_eq!(second.run(&["item", "list"]).well().out, first.run(&["item", "list"]).well().out);
}

#[test]
fn apply_page_with_one_bad_record_leaves_neither_rows_nor_cursor() {
    let (first, second, line) = (Device::with_kit(), Device::new(), Line::new());
    sync_well(&first, &line);
    line.model().faults.pages_left = Some(0);
    assert!(sync(&second, &line).is_err());
    let room = second.room().id;
    line.model().faults.pages_left = None;
    let mut page = line.model().changes_page(room, None).unwrap();
    let last = page.changes.len() - 1;
    page.changes[last].record.as_mut().unwrap().remove("version");
    let page = Page::from(page);
    {
        let mut store = second.store();
        let mut machine = store.machine(Patience::SHORT).unwrap();
        let stepped = store.step(&mut machine, Event::Sync { kitroom: room }, None).unwrap();
        let [Effect::Pull { ticket, .. }] = stepped.effects[..] else { panic!("{stepped:?}") };
        let pulled = Event::Pulled { kitroom: room, ticket, page: page.head() };
        assert!(store.step(&mut machine, pulled, Some(&page)).is_err());
    }
    assert_eq!(second.store().item_count(room).unwrap(), 0);
    assert_eq!(second.room().cursor, None);
    assert_eq!(sync_well(&second, &line).received, 7);
}

#[test]
fn sync_no_network_loses_nothing_and_says_so() {
    let (device, line) = (Device::with_kit(), Line::new());
    line.model().faults.lose_requests = usize::MAX;
    let error = sync(&device, &line).unwrap_err();
    assert_eq!(error.kind, Kind::Unreachable);
    assert!(error.to_string().contains("nothing is lost"), "{error}");
    assert_eq!(device.store().outbox_counts(device.room().id).unwrap().pending, 7);
}

#[test]
fn sync_service_busy_for_a_moment_is_waited_for() {
    let (device, line) = (Device::with_kit(), Line::new());
    line.model().faults.busy = 2;
    assert_eq!(sync_well(&device, &line).sent, 7);
}

#[test]
fn sync_token_refused_leaves_everything_and_says_what_to_do() {
    let (device, line) = (Device::with_kit(), Line::new());
    line.model().faults.deny = true;
    let error = sync(&device, &line).unwrap_err();
    assert_eq!(error.kind, Kind::Refused);
    assert!(error.to_string().contains("tare link"), "{error}");
    assert_eq!(device.store().outbox_counts(device.room().id).unwrap().pending, 7);
}

#[test]
fn sync_another_sync_of_this_device_is_refused() {
    let device = Device::with_kit();
    let line = Line::new();
    let lock = std::fs::File::create(device.home().join("sync.lock")).unwrap();
    lock.lock().unwrap();
    assert!(sync(&device, &line).unwrap_err().what.contains("another sync"));
    drop(lock);
    sync_well(&device, &line);
}

#[test]
fn sync_kitroom_no_longer_mentioned_is_kept_and_asked_about() {
    let (first, _, line) = two_devices();
    line.model().forgotten.push(first.room().id);
    let summary = sync(&first, &line).unwrap();
    assert!(summary.troubles[0].error.what.contains("no longer knows"), "{:?}", summary.troubles);
    assert_eq!(first.run(&["item", "list"]).well().out.lines().count(), 3);
}

#[test]
fn sync_removed_from_a_kitroom_exports_unsent_work_and_purges() {
    let (first, _, line) = two_devices();
    let room = first.room().id;
    first.run(&["weigh", "cup", "33", "--reads-to", "1"]).well();
    let removed = RemovedKitroom {
        kitroom_id: domain::ids::KitroomId::new(room).unwrap(),
        removed_at: NOW.parse().unwrap(),
    };
    line.model().removed.push(removed);
    line.model().forgotten.push(room);
    let summary = sync_well(&first, &line);
    let removed = &summary.removed[0];
    assert_eq!(removed.kitroom, "Runner A");
    let (file, changes) = removed.exported.as_ref().unwrap();
    let exported = std::fs::read_to_string(file).unwrap();
    assert!(*changes > 0);
    assert!(exported.contains("\"reading_g\": 33"), "{exported}");
    assert!(first.store().kitrooms().unwrap().is_empty());
    // Nothing of the kitroom's data is left in any table but the export.
    assert!(first.store().records(room, &domain::kinds::item::KIND).unwrap().is_empty());
    assert!(first.store().outbox(room, &[State::Pending, State::Sent]).unwrap().is_empty());
    for name in ["replica.db", "replica.db-wal"] {
        let bytes = std::fs::read(first.home().join(name)).unwrap_or_default();
        assert!(!String::from_utf8_lossy(&bytes).contains("shell jacket A"), "{name}");
    }
}

#[test]
fn sync_copied_folder_becomes_a_replica_of_its_own_and_loses_nothing() {
    let (first, _, line) = two_devices();
    let copy = first.copied();
    first.run(&["item", "edit", "cup", "--size", "S"]).well();
    sync_well(&first, &line);
    copy.run(&["item", "edit", "gloves", "--size", "9"]).well();
    copy.run(&["item", "edit", "shell", "--size", "M"]).well();
    assert_eq!(sync_well(&copy, &line).sent, 2);
    sync_well(&first, &line);
    assert_eq!(first.run(&["item", "list"]).well().out, copy.run(&["item", "list"]).well().out);
    assert_ne!(first.store().replica_id().unwrap(), copy.store().replica_id().unwrap());
}

#[test]
fn sync_refused_change_leaves_the_view_is_kept_and_holds_up_no_other() {
    let (first, second, line) = two_devices();
    let room = first.room().id;
    first.run(&["item", "add", "old hat"]).well();
    sync_well(&first, &line);
    sync_well(&second, &line);
    // One puts it on the scale while the other throws it away.
    first.run(&["weigh", "old hat", "55", "--reads-to", "1"]).well();
    sync_well(&first, &line);
    let hat = second.store().find_items(room, "old hat").unwrap().remove(0);
    let draft = client_cli::local::Draft {
        kind: &domain::kinds::item::KIND,
        record_id: hat.id,
        action: domain::sync::op::Action::Delete,
        payload: serde_json::Map::new(),
    };
    second.store().act(room, &[draft]).unwrap();
    second.run(&["item", "edit", "cup", "--size", "S"]).well();
    let summary = sync_well(&second, &line);
    assert_eq!((summary.sent, summary.refused), (1, 1));
    assert_eq!(second.store().find_items(room, "old hat").unwrap().len(), 1);
    let refused = second.store().outbox(room, &[State::Rejected]).unwrap();
    assert_eq!(refused[0].problem.as_ref().unwrap().code(), Some(domain::wire::problem::ErrorCode::InUse));
    assert_eq!(second.run(&["status"]).code, Kind::Waiting.exit_code());
    let listed = second.run(&["conflict", "list"]);
    assert!(listed.out.contains("item old hat") && listed.out.contains("deleted"), "{}", listed.out);
    // Put aside it waits for nobody, and is still there.
    second.run(&["conflict", "settle", "1", "a"]).well();
    second.run(&["status"]).well();
    assert_eq!(second.store().outbox(room, &[State::Aside]).unwrap().len(), 1);
}
