//! A base that has to be replaced.

use crate::sync::op::OpStatus::Applied;

use super::*;

fn compared(device: &mut Device, common: i64) -> Vec<Effect> {
    let ticket = device.asked();
    device.on(Event::Compared { kitroom: ROOM, ticket, common })
}

#[test]
fn restored_service_is_read_anew_beside_base_and_what_it_took_is_sent_again() {
    let mut device = Device::at(90);
    device.change("g1", &[1]);
    device.sync();
    device.pushed(91, &[(1, Applied, Some(91))]);
    device.fails(Failure::Lost);
    device.change("g2", &[2]);
    let mut device = device.restarted();
    device.sync();
    assert_eq!(cursor(&device.refuses(ErrorCode::EpochChanged)), None);
    assert!(device.writes.contains(&Write::BeginReplace { kitroom: ROOM }));
    assert_eq!(cursor(&device.page(LATER, 85, &[(50, 40)], true)), Some("c40"));
    assert!(device.writes.contains(&Write::Page { kitroom: ROOM, into: Layer::Incoming }));
    // Until it is whole nothing of base is touched, and nothing is sent.
    assert_eq!(device.replica.kept(ROOM).unwrap().base_seq, 90);
    let effects = device.page(LATER, 85, &[(51, 85)], false);
    assert!(matches!(effects[..], [Effect::Compare { kitroom: ROOM, .. }]), "{effects:?}");
    let effects = compared(&mut device, 80);
    assert!(device.writes.contains(&Write::FinishReplace { kitroom: ROOM, recover_after: Some(80) }));
    assert_eq!(sent(&effects), [op(1), op(2)]);
    let kept = device.replica.kept(ROOM).unwrap();
    assert_eq!((kept.epoch, kept.base_seq, kept.generation), (Some(LATER), 85, 1));
    // What their authors had seen counts only as far as the service still has it.
    assert!(device.replica.outbox(ROOM).iter().all(|entry| entry.base_seq == 80));
    // The service says what number comes next.
    let gap = Problem::new(ErrorCode::OpGap, "missing").with("last_op_no", 6);
    assert_eq!(sent(&device.fails(Failure::Refused(gap))), [op(1), op(2)]);
    assert_eq!(device.numbers(), [(op(1), 7), (op(2), 8)]);
    device.pushed_by(LATER, 87, &[(1, Applied, Some(86)), (2, Applied, Some(87))]);
    assert_eq!(ended(&device.page(LATER, 87, &[(1, 86), (2, 87)], false)), &End::Synced);
    assert!(device.replica.outbox(ROOM).is_empty());
}

#[test]
fn crash_while_replacing_goes_on_where_incoming_stands() {
    let mut device = Device::at(90);
    device.sync();
    device.refuses(ErrorCode::EpochChanged);
    device.page(LATER, 85, &[(50, 40)], true);
    let mut device = device.restarted();
    assert_eq!(cursor(&device.sync()), Some("c40"));
    device.page(LATER, 85, &[(51, 85)], false);
    let mut device = device.restarted();
    let effects = device.sync();
    assert!(matches!(effects[..], [Effect::Compare { .. }]), "{effects:?}");
    assert_eq!(ended(&compared(&mut device, 85)), &End::Synced);
}

#[test]
fn expired_cursor_drops_what_is_not_sent_again_without_asking() {
    let mut device = Device::at(90);
    device.change("g", &[1]);
    device.sync();
    device.pushed(95, &[(1, Applied, Some(95))]);
    let effects = device.refuses(ErrorCode::CursorExpired);
    assert_eq!((cursor(&effects), ack(&effects)), (None, Some("a95")));
    assert_eq!(ended(&device.pulled(95, &[(1, 95)])), &End::Synced);
    assert!(device.writes.contains(&Write::FinishReplace { kitroom: ROOM, recover_after: None }));
    assert!(device.replica.outbox(ROOM).is_empty());
    assert_eq!(device.replica.kept(ROOM).unwrap().base_seq, 95);
}

#[test]
fn replacement_shows_what_base_rests_on_until_the_service_is_known_to_have_lost_it() {
    let mut device = Device::at(90);
    device.on(Event::Reset { kitroom: ROOM });
    assert_eq!(ack(&device.sync()), Some("c90"));
    let effects = device.page(EPOCH, 95, &[(50, 40)], true);
    assert_eq!((cursor(&effects), ack(&effects)), (Some("c40"), Some("c90")));
    // Restored meanwhile: the old base must not be dropped as if all that it has were deleted.
    let effects = device.refuses(ErrorCode::EpochChanged);
    assert_eq!((cursor(&effects), ack(&effects)), (None, None));
    let effects = device.pulled(60, &[(50, 40)]);
    assert!(matches!(effects[..], [Effect::Compare { .. }]), "{effects:?}");
}

#[test]
fn reset_that_meets_another_epoch_does_not_forget_that_something_may_be_lost() {
    let mut device = Device::at(90);
    device.on(Event::Reset { kitroom: ROOM });
    device.sync();
    let effects = device.page(LATER, 50, &[(50, 40)], false);
    assert!(matches!(effects[..], [Effect::Compare { .. }]), "{effects:?}");
    device.on(Event::Reset { kitroom: ROOM });
    let cause = device.replica.kept(ROOM).unwrap().replace.as_ref().unwrap().cause;
    assert_eq!(cause, Cause::EpochChanged);
}

#[test]
fn push_answered_in_another_epoch_is_followed_by_a_replacement() {
    let mut device = Device::at(90);
    device.change("g", &[1]);
    device.sync();
    assert_eq!(cursor(&device.pushed_by(LATER, 50, &[(1, Applied, Some(50))])), None);
    device.page(LATER, 50, &[(1, 50)], false);
    assert_eq!(sent(&compared(&mut device, 40)), [op(1)]);
}

#[test]
fn service_that_changes_all_the_time_is_not_followed_for_ever() {
    let mut device = Device::at(90);
    let mut effects = device.sync();
    for _ in 0..20 {
        if let [Effect::Ended { .. }] = effects[..] {
            break;
        }
        effects = device.refuses(ErrorCode::EpochChanged);
    }
    assert_eq!(ended(&effects), &End::Unsteady(Cause::EpochChanged));
}
