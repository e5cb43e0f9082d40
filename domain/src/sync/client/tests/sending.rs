//! From a change to its place in base, and every way of getting no answer.

use crate::sync::op::OpStatus::{Applied, Conflict, Noop, NotAttempted, Rejected};

use super::*;

#[test]
fn changed_ops_are_numbered_without_a_gap_and_rest_on_base() {
    let mut device = Device::at(7);
    device.change("g1", &[1, 2]);
    device.change("g2", &[3]);
    assert_eq!(device.numbers(), [(op(1), 1), (op(2), 2), (op(3), 3)]);
    let bases: Vec<i64> = device
        .writes
        .iter()
        .filter_map(|write| match write {
            Write::Enqueue { base_seq, .. } => Some(*base_seq),
            _ => None,
        })
        .collect();
    assert_eq!(bases, [7, 7, 7]);
    assert_eq!(device.replica.kept(ROOM).unwrap().last_op_no, 3);
}

#[test]
fn sync_sends_whole_groups_within_the_limits_in_their_order() {
    let mut device = Device::at(0);
    for group in 0..4_u128 {
        let ops: Vec<u128> = (0..200).map(|n| group * 200 + n).collect();
        device.change(&format!("g{group}"), &ops);
    }
    assert_eq!(sent(&device.sync()).len(), 400);

    let mut device = Device::at(0);
    for n in 0..12 {
        let ops = vec![NewOp {
            op_id: op(n),
            group: n.to_string(),
            record_id: record(n),
            seen: None,
            bytes: 100_000,
        }];
        device.on(Event::Changed { kitroom: ROOM, ops });
    }
    // Ten of them and the envelope are within 1 MiB.
    assert_eq!(sent(&device.sync()), (0..10).map(op).collect::<Vec<_>>());
}

#[test]
fn pushed_op_leaves_the_outbox_only_when_a_page_brings_its_record() {
    let mut device = Device::at(4);
    device.change("g", &[1]);
    assert_eq!(sent(&device.sync()), [op(1)]);
    assert!(device.writes.contains(&Write::Sent { kitroom: ROOM, ops: vec![op(1)] }));
    let effects = device.pushed(9, &[(1, Applied, Some(9))]);
    assert_eq!(cursor(&effects), Some("c4"));
    assert_eq!(ack(&effects), Some("a9"));
    // The first page ends before the op's change. Its cursor holds that the ack was good.
    assert_eq!(ack(&device.page(EPOCH, 9, &[(50, 5), (51, 6)], true)), None);
    assert_eq!(device.replica.outbox(ROOM)[0].stage, Stage::Acked { version: 9, at: 9 });
    assert_eq!(ended(&device.pulled(9, &[(52, 8), (1, 9)])), &End::Synced);
    assert!(device.replica.outbox(ROOM).is_empty());
    assert!(device.writes.contains(&Write::Forget { kitroom: ROOM, ops: vec![op(1)] }));
}

#[test]
fn pushed_op_whose_record_moved_on_waits_for_the_page_that_has_it() {
    let mut device = Device::at(4);
    device.change("g", &[1]);
    device.sync();
    device.pushed(6, &[(1, Applied, Some(6))]);
    // Somebody else changed the record at 9 meanwhile: it is no longer at 6.
    device.page(EPOCH, 9, &[(50, 7)], true);
    assert_eq!(device.replica.outbox(ROOM).len(), 1);
    assert_eq!(ended(&device.pulled(9, &[(1, 9)])), &End::Synced);
    assert!(device.replica.outbox(ROOM).is_empty());
}

#[test]
fn pushed_noop_on_what_base_holds_is_settled_at_once() {
    let mut device = Device::at(4);
    device.change("g", &[1]);
    device.sync();
    device.pushed(4, &[(1, Noop, Some(3))]);
    assert!(device.replica.outbox(ROOM).is_empty());
}

#[test]
fn pushed_conflict_stays_until_base_holds_the_conflict_too() {
    let mut device = Device::at(4);
    device.change("g", &[1]);
    device.sync();
    device.pushed(8, &[(1, Conflict, Some(8))]);
    assert_eq!(device.replica.outbox(ROOM)[0].stage, Stage::Acked { version: 0, at: 8 });
    device.page(EPOCH, 8, &[(50, 6)], true);
    assert_eq!(device.replica.outbox(ROOM).len(), 1);
    device.pulled(8, &[(51, 8)]);
    assert!(device.replica.outbox(ROOM).is_empty());
}

#[test]
fn rejected_op_is_kept_with_its_reason_and_holds_up_no_other() {
    let mut device = Device::at(0);
    device.change("g1", &[1]);
    device.change("g2", &[2]);
    device.sync();
    device.pushed(1, &[(1, Rejected, None), (2, Applied, Some(1))]);
    let kept = device.writes.iter().any(|write| {
        matches!(write, Write::Rejected { op_id, problem: Some(problem), .. }
            if *op_id == op(1) && problem.code() == Some(ErrorCode::InUse))
    });
    assert!(kept);
    assert_eq!(ended(&device.pulled(1, &[(2, 1)])), &End::Synced);
    assert!(device.replica.outbox(ROOM).is_empty());
}

#[test]
fn op_that_was_not_attempted_is_sent_again_and_nothing_attempted_is_no_answer() {
    let mut device = Device::at(0);
    device.change("g1", &[1]);
    device.change("g2", &[2]);
    device.sync();
    let effects = device.pushed(1, &[(1, Applied, Some(1)), (2, NotAttempted, None)]);
    assert_eq!(sent(&effects), [op(2)]);
    let effects = device.pushed(1, &[(2, NotAttempted, None)]);
    assert!(matches!(effects[..], [Effect::Wait { .. }]), "{effects:?}");
}

#[test]
fn lost_answer_is_asked_for_again_with_growing_pauses_until_the_patience_ends() {
    let mut device = Device::at(0);
    device.change("g", &[1]);
    device.sync();
    let mut pauses = Vec::new();
    loop {
        let effects = device.fails(Failure::Lost);
        let [Effect::Wait { ms, .. }] = effects[..] else {
            assert_eq!(ended(&effects), &End::Unreachable { after_ms: None });
            break;
        };
        pauses.push(ms);
        let ticket = device.asked();
        let effects = device.on(Event::Waited { kitroom: Some(ROOM), ticket });
        assert_eq!(sent(&effects), [op(1)]);
    }
    assert_eq!(pauses, [499, 999, 1999]);
    assert_eq!(device.replica.outbox(ROOM)[0].stage, Stage::Sent);
    // The next turn begins with fresh patience.
    assert_eq!(sent(&device.sync()), [op(1)]);
}

#[test]
fn busy_service_is_left_alone_as_long_as_it_asks() {
    let mut device = Device::at(0);
    device.sync();
    let effects = device.fails(Failure::Busy { after_ms: Some(3000) });
    assert!(matches!(effects[..], [Effect::Wait { ms, .. }] if (3000..3500).contains(&ms)), "{effects:?}");
    let ticket = device.asked();
    device.on(Event::Waited { kitroom: Some(ROOM), ticket });
    let effects = device.fails(Failure::Busy { after_ms: Some(3_600_000) });
    assert_eq!(ended(&effects), &End::Unreachable { after_ms: Some(3_600_000) });
}

#[test]
fn refused_token_ends_the_turn_and_touches_no_op() {
    let mut device = Device::at(0);
    device.change("g", &[1]);
    device.sync();
    let writes = device.writes.len();
    for code in [ErrorCode::NotAuthenticated, ErrorCode::TokenExpired] {
        assert_eq!(ended(&device.refuses(code)), &End::LoggedOut);
        assert_eq!((device.writes.len(), device.numbers()), (writes, vec![(op(1), 1)]));
        device.sync();
    }
}

#[test]
fn late_and_doubled_answers_are_ignored() {
    let mut device = Device::at(0);
    device.change("g", &[1]);
    device.sync();
    let first = device.asked();
    device.fails(Failure::Lost);
    let ticket = device.asked();
    device.on(Event::Waited { kitroom: Some(ROOM), ticket });
    let before = device.replica.clone();
    let late = Event::Pushed {
        kitroom: ROOM,
        ticket: first,
        epoch: EPOCH,
        head_seq: 1,
        results: Vec::new(),
        ack: None,
    };
    assert!(device.on(late).is_empty());
    assert_eq!(device.replica, before);
}

#[test]
fn backoff_lies_within_its_bounds_and_after_what_was_asked() {
    for (failures, most) in [(1, 500), (2, 1000), (6, 16_000), (7, 30_000), (60, 30_000)] {
        assert_eq!(backoff(failures, 30_000, None, 0), 0);
        assert_eq!(backoff(failures, 30_000, None, u32::MAX), most - 1);
        assert_eq!(backoff(failures, 30_000, Some(2000), u32::MAX / 2), 2000 + most / 2 - 1);
    }
}

#[test]
fn noticed_op_of_another_process_is_sent_in_the_same_turn() {
    let mut device = Device::at(0);
    device.sync();
    let entry = Entry {
        op_id: op(5),
        op_no: 1,
        group: "g".into(),
        record_id: record(5),
        base_seq: 0,
        bytes: 10,
        stage: Stage::Pending,
    };
    device.on(Event::Noticed { kitroom: ROOM, entries: vec![entry] });
    device.effects = vec![Effect::Pull { kitroom: ROOM, ticket: 1, cursor: None, ack: None }];
    assert_eq!(sent(&device.pulled(0, &[])), [op(5)]);
    assert_eq!(device.replica.kept(ROOM).unwrap().last_op_no, 1);
}
