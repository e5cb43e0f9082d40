//! Copied folders, missing numbers, pushes that no service takes, and kitrooms that are gone.

use serde_json::json;

use crate::sync::op::OpStatus::Applied;

use super::*;

fn gap(last_op_no: i64) -> Failure {
    Failure::Refused(Problem::new(ErrorCode::OpGap, "missing").with("last_op_no", json!(last_op_no)))
}

#[test]
fn forked_replica_becomes_another_one_in_every_kitroom_and_keeps_op_ids() {
    let mut device = Device::at(4);
    device.on(Event::Joined { kitroom: OTHER });
    device.change("g1", &[1]);
    device.sync();
    device.pushed(5, &[(1, Applied, Some(5))]);
    device.fails(Failure::Lost);
    device.change("g2", &[2, 3]);
    let ops = vec![NewOp { op_id: op(9), group: "x".into(), record_id: record(9), seen: None, bytes: 10 }];
    device.on(Event::Changed { kitroom: OTHER, ops });
    device.sync();
    let effects = device.refuses(ErrorCode::ReplicaForked);
    assert!(matches!(&effects[..], [Effect::Push { replica: NEXT, ops, .. }] if ops[..] == [op(2), op(3)]));
    // What was taken under the old id has no number any more; what waits counts from 1.
    assert_eq!(device.numbers(), [(op(1), 0), (op(2), 1), (op(3), 2)]);
    assert_eq!(device.replica.outbox(OTHER)[0].op_no, 1);
    assert!(device.writes.contains(&Write::Replica(NEXT)));
    assert_eq!(device.replica.kept(ROOM).unwrap().last_op_no, 2);
    // A service that says so again and again is not believed for ever.
    device.refuses(ErrorCode::ReplicaForked);
    assert!(matches!(ended(&device.refuses(ErrorCode::ReplicaForked)), End::Refused(_)));
}

#[test]
fn gap_of_what_the_service_took_and_lost_is_filled_from_the_outbox() {
    let mut device = Device::at(4);
    device.change("g1", &[1]);
    device.change("g2", &[2]);
    device.sync();
    device.pushed(6, &[(1, Applied, Some(5)), (2, Applied, Some(6))]);
    // The line breaks before the pull; the service is restored to before the second op.
    let mut device = device.restarted();
    device.change("g3", &[3]);
    device.sync();
    let effects = device.fails(gap(1));
    assert_eq!(sent(&effects), [op(2), op(3)]);
    assert_eq!(device.numbers(), [(op(1), 1), (op(2), 2), (op(3), 3)]);
    assert!(device.replica.kept(ROOM).unwrap().adrift);
    device.pushed(7, &[(2, Applied, Some(6)), (3, Applied, Some(7))]);
    assert!(!device.replica.kept(ROOM).unwrap().adrift);
}

#[test]
fn gap_of_what_is_not_here_any_more_is_reported_and_never_guessed() {
    let mut device = Device::at(4);
    device.change("g1", &[1]);
    device.sync();
    device.pushed(5, &[(1, Applied, Some(5))]);
    device.pulled(5, &[(1, 5)]);
    device.change("g2", &[2]);
    device.sync();
    // Whether the service was restored shows in what it has now: that is looked at first.
    assert_eq!(cursor(&device.fails(gap(0))), Some("c5"));
    assert_eq!(sent(&device.pulled(5, &[])), [op(2)]);
    assert_eq!(ended(&device.fails(gap(0))), &End::Gap { last_op_no: 0 });
    assert_eq!(device.numbers(), [(op(2), 2)]);
    // A person who was told asks for a reset: then the service's number counts.
    device.on(Event::Reset { kitroom: ROOM });
    assert_eq!(cursor(&device.sync()), None);
    device.pulled(5, &[(1, 5)]);
    assert_eq!(sent(&device.fails(gap(0))), [op(2)]);
    assert_eq!(device.numbers(), [(op(2), 1)]);
}

#[test]
fn taken_op_that_no_page_brings_is_sent_again_and_once_only() {
    let mut device = Device::at(4);
    device.change("g", &[1]);
    device.sync();
    device.pushed(5, &[(1, Applied, Some(5))]);
    // Restored to 4, and somebody else has made another 5 since.
    let effects = device.pulled(5, &[(50, 5)]);
    assert_eq!(sent(&effects), [op(1)]);
    // A service that knows the op after all answers as it did; base has reached that, so it is settled.
    device.pushed(5, &[(1, Applied, Some(5))]);
    assert!(device.replica.outbox(ROOM).is_empty());
}

#[test]
fn push_that_is_not_taken_as_a_whole_is_narrowed_down_to_the_step_that_spoils_it() {
    let mut device = Device::at(0);
    for n in 1..=5 {
        device.change(&format!("g{n}"), &[n]);
    }
    let mut pushes = 0;
    let mut effects = device.sync();
    let mut taken = Vec::new();
    while let [Effect::Push { ops, .. }] = &effects[..] {
        pushes += 1;
        let ops = ops.clone();
        if ops.contains(&op(4)) {
            effects = device.refuses(ErrorCode::ValidationFailed);
        } else {
            let ids = 1..=5_u128;
            let results: Vec<_> =
                ids.filter(|n| ops.contains(&op(*n))).map(|n| (n, Applied, Some(n as i64))).collect();
            taken.extend(ops);
            effects = device.pushed(5, &results);
        }
    }
    assert_eq!(taken, [op(1), op(2), op(3), op(5)]);
    assert!(
        device.writes.iter().any(|write| matches!(write, Write::Rejected { op_id, .. } if *op_id == op(4)))
    );
    // What stands behind it takes up its number, so that the service misses none.
    assert_eq!(device.numbers().last(), Some(&(op(5), 4)));
    assert!(pushes < 12, "{pushes}");
}

#[test]
fn step_that_no_push_can_carry_is_kept_as_refused_and_the_next_one_goes() {
    let mut device = Device::at(0);
    let large = NewOp { op_id: op(1), group: "g1".into(), record_id: record(1), seen: None, bytes: 2 << 20 };
    device.on(Event::Changed { kitroom: ROOM, ops: vec![large] });
    device.change("g2", &[2]);
    assert_eq!(sent(&device.sync()), [op(2)]);
    assert_eq!(device.numbers(), [(op(2), 1)]);
    assert!(too_large(1, 2 << 20, Limits::default()).is_some());
    assert!(too_large(501, 10, Limits::default()).is_some());
    assert!(too_large(500, 100_000, Limits::default()).is_none());
}

#[test]
fn schema_that_is_not_taken_keeps_the_outbox_and_still_gets_what_is_new() {
    let mut device = Device::at(0);
    device.change("g", &[1]);
    device.sync();
    let problem = Problem::new(ErrorCode::SchemaUnsupported, "old").with("min", 3).with("current", 5);
    assert_eq!(cursor(&device.fails(Failure::Refused(problem))), Some("c0"));
    assert_eq!(ended(&device.pulled(2, &[(50, 2)])), &End::Schema { min: 3, current: 5 });
    assert_eq!(device.numbers(), [(op(1), 1)]);
    assert_eq!(device.replica.kept(ROOM).unwrap().base_seq, 2);
}

fn poll(device: &mut Device, rooms: &[(Uuid, Uuid)], removed: &[Uuid]) -> Vec<Effect> {
    let effects = device.on(Event::Begin);
    let [Effect::Poll { ticket }] = effects[..] else { panic!("{effects:?}") };
    let rooms =
        rooms.iter().map(|(kitroom, epoch)| PolledRoom { kitroom: *kitroom, epoch: *epoch }).collect();
    let (schema, limits) = ((1, 1), Limits::default());
    device.on(Event::Polled { ticket, rooms, removed: removed.to_vec(), schema, limits })
}

#[test]
fn kitroom_that_is_not_mentioned_is_kept_and_asked_about() {
    let mut device = Device::at(4);
    device.change("g", &[1]);
    assert_eq!(ended(&poll(&mut device, &[], &[])), &End::Absent);
    assert_eq!(ended(&device.sync()), &End::Absent);
    assert!(!device.writes.iter().any(|write| matches!(write, Write::Purge(_))));
    // It is back: all goes on.
    assert!(poll(&mut device, &[(ROOM, EPOCH)], &[]).is_empty());
    assert_eq!(sent(&device.sync()), [op(1)]);
}

#[test]
fn kitroom_that_this_account_was_removed_from_goes_after_its_export() {
    let mut device = Device::at(4);
    device.change("g", &[1]);
    assert_eq!(poll(&mut device, &[], &[ROOM]), [Effect::Export { kitroom: ROOM }]);
    assert!(!device.writes.contains(&Write::Purge(ROOM)));
    device.on(Event::Exported { kitroom: ROOM });
    assert!(device.writes.contains(&Write::Purge(ROOM)) && device.replica.kept(ROOM).is_none());
    // Let in again, it comes from the beginning.
    assert_eq!(poll(&mut device, &[(ROOM, EPOCH)], &[]), [Effect::Learn { kitroom: ROOM }]);
    device.on(Event::Joined { kitroom: ROOM });
    assert_eq!(cursor(&device.sync()), None);
}

#[test]
fn moved_ops_stand_behind_those_of_their_new_kitroom_and_rest_on_nothing() {
    let mut device = Device::at(4);
    device.change("g1", &[1]);
    let here = Kept { last_op_no: 2, base_seq: 0, ..Kept::default() };
    let entry = |n, op_no| Entry {
        op_id: op(n),
        op_no,
        group: "x".into(),
        record_id: record(n),
        base_seq: 0,
        bytes: 10,
        stage: Stage::Pending,
    };
    let there = device.replica.kept(ROOM).unwrap().clone();
    let rooms =
        [(ROOM, there, device.replica.outbox(ROOM).to_vec()), (OTHER, here, vec![entry(7, 1), entry(8, 2)])];
    device.replica = Replica::restore(ME, rooms, Patience::SHORT);
    device.on(Event::Moved { from: OTHER, to: ROOM });
    assert_eq!(device.numbers(), [(op(1), 1), (op(7), 2), (op(8), 3)]);
    assert!(device.replica.outbox(ROOM)[1..].iter().all(|entry| entry.base_seq == 0));
    assert_eq!(device.replica.kitrooms().collect::<Vec<_>>(), [ROOM]);
}
