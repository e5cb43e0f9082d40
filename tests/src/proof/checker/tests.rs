//! The checker is checked: a sound history passes, and each way of damaging it is found, under its own name.

use std::collections::{BTreeMap, BTreeSet};

use domain::kinds;
use domain::sync::conflict::derived_id;
use domain::sync::op::{Action, OpStatus};
use domain::sync::record::{EXISTENCE, Stored, UnitMark};
use serde_json::{Value, json};
use uuid::Uuid;

use super::*;
use crate::proof::history::{Moment, Read, Recorder, Write};
use crate::proof::truth::{Decided, Final, Held, Row, Truth, spelled, sums};

fn id(n: u8) -> Uuid {
    Uuid::from_u128(0x0190_0000_0000_7000_8000_0000_0000_0000 | u128::from(n))
}

const GLOVES: u8 = 1;
const WEIGHING: u8 = 2;
const LATER: u8 = 3;
const CONFLICT: u8 = 4;
const SIZED: u8 = 11;
const RESIZED: u8 = 12;
const CONTESTED: u8 = 13;
const REFUSED: u8 = 14;

fn write(op: u8, kind: &str, record: u8, action: Action, base_seq: i64, payload: Value) -> Write {
    let payload = payload.as_object().cloned().unwrap_or_default();
    Write { op_id: id(op), kind: kind.into(), record: id(record), action, base_seq, payload, seq: None }
}

fn weighing(n: u8) -> Write {
    let body = json!({
        "item_id": id(GLOVES), "resolution_g": 1, "reading_g": 80 + n, "observed_at": "2026-03-01T05:10:00.000Z",
    });
    write(n, "weighing", n, Action::Append, 1, body)
}

fn row(kind: &str, n: u8, seq: i64, body: Value) -> Row {
    let known = kinds::kind(kind).expect("a kind");
    let object = body.as_object().cloned().unwrap_or_default();
    let body = (known.normalise)(&object).unwrap_or(object);
    let units = if known.is_fact() {
        BTreeMap::new()
    } else {
        BTreeMap::from([(EXISTENCE.to_owned(), UnitMark::new(1, None))])
    };
    let stored = Stored {
        id: id(n),
        version: seq,
        units,
        created_by: id(99),
        recorded_at: "2026-03-01T05:10:00.000Z".parse().expect("a time"),
        deleted: false,
        voided: None,
        time_suspect: false,
        body,
    };
    let wire = spelled(&stored.to_wire());
    Row { kind: kind.into(), id: id(n), seq, deleted: false, body: stored.body, wire }
}

fn held(rows: &[Row]) -> Vec<Held> {
    let one = |row: &Row| Held {
        kind: row.kind.clone(),
        id: row.id,
        seq: row.seq,
        deleted: row.deleted,
        wire: Some(row.wire.clone()),
    };
    rows.iter().map(one).collect()
}

/// Two devices: one makes gloves, gives them a size and weighs them; the other, which had seen that, gives another size
/// and then a note against a note, and has an op refused.
fn sound() -> Case {
    let made =
        write(GLOVES, "item", GLOVES, Action::Create, 0, json!({"name": "gloves A", "kind": "gloves"}));
    let sized =
        write(SIZED, "item", GLOVES, Action::Patch, 1, json!({"size": "size-one", "notes": "note-one"}));
    let resized = write(RESIZED, "item", GLOVES, Action::Patch, 2, json!({"size": "size-two"}));
    let contested = write(CONTESTED, "item", GLOVES, Action::Patch, 1, json!({"notes": "note-two"}));
    let refused = write(REFUSED, "item", GLOVES, Action::Patch, 1, json!({"size": ""}));
    let mut recorder = Recorder::default();
    let done = [
        (0, made, Some(1)),
        (0, sized, Some(2)),
        (0, weighing(WEIGHING), Some(3)),
        (1, resized, Some(4)),
        (1, contested, Some(5)),
        (1, weighing(LATER), Some(6)),
        (1, refused, None),
    ];
    let mut decided = BTreeMap::new();
    for (replica, write, seq) in done {
        let moment = if seq.is_some() { Moment::Ok } else { Moment::Fail };
        recorder.write(replica, Moment::Invoke, write.clone());
        recorder.write(replica, Moment::Info, write.clone());
        recorder.write(replica, moment, Write { seq, ..write.clone() });
        let status = if seq.is_some() { OpStatus::Applied } else { OpStatus::Rejected };
        decided.insert(write.op_id, Decided { status, seq, conflicts: 0 });
    }
    let gloves = json!({"name": "gloves A", "kind": "gloves", "size": "size-two", "notes": "note-one"});
    let value = |n: u8| Value::Object(weighing(n).payload);
    let offer = json!({"record_kind": "item", "record_id": id(GLOVES), "offered": {"notes": "note-two"}});
    let rows = vec![
        row("item", GLOVES, 4, gloves),
        row("weighing", WEIGHING, 3, value(WEIGHING)),
        row("conflict", CONFLICT, 5, offer),
        row("weighing", LATER, 6, value(LATER)),
    ];
    let everything: BTreeSet<Uuid> = rows.iter().map(|row| row.id).collect();
    for replica in [0, 1] {
        recorder.read(replica, Read { life: 0, seq: 3, sees: everything.clone() });
        recorder.read(replica, Read { life: 0, seq: 6, sees: everything.clone() });
    }
    let ids = |ops: &[u8]| ops.iter().map(|n| id(*n)).collect::<BTreeSet<Uuid>>();
    let replica = |name: &str, made: BTreeSet<Uuid>| Final {
        name: name.into(),
        held: held(&rows),
        made,
        ..Final::default()
    };
    let mut finals = vec![
        replica("device 0", ids(&[GLOVES, SIZED, WEIGHING])),
        replica("device 1", ids(&[RESIZED, CONTESTED, LATER, REFUSED])),
        replica("fresh", BTreeSet::new()),
    ];
    finals[1].refused = ids(&[REFUSED]);
    let digest = sums(&held(&rows));
    let commits = vec![1, 2, 3, 6];
    let truth = Truth { head: 6, rows, moves: Some((1..=6).collect()), commits, decided, digest };
    Case { lines: recorder.lines, truth, finals, rounds: 1, was_restored: false }
}

/// Takes a record from the service and from everybody alike: no replica differs.
fn take_everywhere(case: &mut Case, n: u8) {
    case.truth.rows.retain(|row| row.id != id(n));
    for replica in &mut case.finals {
        replica.held.retain(|one| one.id != id(n));
    }
    case.truth.digest = sums(&case.finals[0].held);
}

/// Puts another record in the place of one, everywhere alike.
fn put_everywhere(case: &mut Case, new: Row) {
    let at = case.truth.rows.iter().position(|row| row.id == new.id);
    match at {
        Some(at) => case.truth.rows[at] = new,
        None => case.truth.rows.push(new),
    }
    for replica in &mut case.finals {
        replica.held = held(&case.truth.rows);
    }
    case.truth.digest = sums(&case.finals[0].held);
}

fn line(case: &mut Case, op: u8, moment: Moment) -> &mut Line {
    let fits = |line: &&mut Line| {
        line.moment == moment && matches!(&line.op, What::Write(write) if write.op_id == id(op))
    };
    case.lines.iter_mut().find(fits).expect("a line")
}

type Damage = fn(&mut Case);

/// Every way of damaging a history, and what the checker must call it.
const DAMAGES: [(&str, Rule, Damage); 25] = [
    ("a fact is lost everywhere", Rule::FactLost, |case| take_everywhere(case, WEIGHING)),
    ("a fact is doubled", Rule::FactDoubled, |case| {
        let twin = case.truth.rows[1].clone();
        case.truth.rows.push(Row { seq: 5, ..twin });
    }),
    ("a fact is changed everywhere", Rule::FactChanged, |case| {
        let mut other = weighing(WEIGHING).payload;
        other.insert("reading_g".into(), json!(1));
        put_everywhere(case, row("weighing", WEIGHING, 3, Value::Object(other)));
    }),
    ("a fact comes from nowhere", Rule::FactInvented, |case| {
        put_everywhere(case, row("weighing", 50, 7, Value::Object(weighing(50).payload)));
    }),
    ("a fact that was refused is there", Rule::FactRefused, |case| {
        line(case, WEIGHING, Moment::Ok).moment = Moment::Fail;
    }),
    ("a field's value is lost everywhere", Rule::ValueLost, |case| {
        let body = json!({"name": "gloves A", "kind": "gloves", "size": "size-two"});
        put_everywhere(case, row("item", GLOVES, 4, body));
    }),
    ("a value is overwritten by somebody who had not seen it", Rule::ValueLost, |case| {
        let What::Write(write) = &mut line(case, RESIZED, Moment::Ok).op else { return };
        write.base_seq = 1;
    }),
    ("the last writer's value is lost", Rule::ValueLost, |case| {
        let body = json!({"name": "gloves A", "kind": "gloves", "size": "size-one", "notes": "note-one"});
        put_everywhere(case, row("item", GLOVES, 4, body));
    }),
    ("a conflict is gone with the value that it kept", Rule::ValueLost, |case| {
        take_everywhere(case, CONFLICT)
    }),
    ("a replica lacks a record", Rule::Differs, |case| drop(case.finals[1].held.remove(1))),
    ("a replica has one more", Rule::Differs, |case| {
        let extra = Held { kind: "item".into(), id: id(60), seq: 2, deleted: false, wire: None };
        case.finals[0].held.push(extra);
    }),
    ("a replica has one byte otherwise", Rule::Differs, |case| {
        let wire = case.finals[0].held[0].wire.as_mut().expect("a record");
        *wire = wire.replace("size-two", "size-twp");
    }),
    ("a replica has a record at another change", Rule::Differs, |case| case.finals[1].held[2].seq = 4),
    ("a fresh replica lacks a record", Rule::Differs, |case| drop(case.finals[2].held.pop())),
    ("a replica shows what is deleted", Rule::Differs, |case| case.truth.rows[0].deleted = true),
    ("the service's digest is wrong", Rule::Digest, |case| {
        case.truth.digest.entry("item".into()).or_default().1 = "0000000000000000".into();
    }),
    ("a number is skipped", Rule::Gap, |case| {
        case.truth.moves.as_mut().expect("numbers").retain(|seq| *seq != 2);
    }),
    ("a number is given twice", Rule::Gap, |case| {
        let moves = case.truth.moves.as_mut().expect("numbers");
        moves.insert(2, 2);
    }),
    ("two records stand at one number", Rule::Gap, |case| {
        case.truth.rows[2].seq = 6;
    }),
    ("a replica goes back", Rule::WentBack, |case| {
        let last = case.lines.iter_mut().rev().find_map(|line| match &mut line.op {
            What::Read(read) => Some(read),
            What::Write(_) => None,
        });
        last.expect("a read").seq = 2;
    }),
    ("a replica does not show its own work", Rule::Unseen, |case| {
        for line in case.lines.iter_mut().filter(|line| line.replica == 0) {
            if let What::Read(read) = &mut line.op {
                read.sees.remove(&id(WEIGHING));
            }
        }
    }),
    ("an op is lost from an outbox", Rule::OpLost, |case| {
        case.finals[1].made.insert(id(70));
    }),
    ("a refusal is forgotten", Rule::OpLost, |case| case.finals[1].refused.clear()),
    ("an op that was acknowledged is forgotten", Rule::OpForgotten, |case| {
        case.truth.decided.remove(&id(SIZED));
    }),
    ("an op still waits", Rule::Undrained, |case| {
        case.finals[0].pending.insert(id(SIZED));
    }),
];

#[test]
fn check_of_a_sound_history_finds_nothing() {
    assert_eq!(check(&sound()), []);
}

#[test]
fn check_of_each_doctored_history_finds_what_was_done_to_it() {
    for (what, rule, damage) in DAMAGES {
        let mut case = sound();
        damage(&mut case);
        let found = check(&case);
        assert!(found.iter().any(|one| one.rule == rule), "{what}: {found:?}");
    }
}

#[test]
fn check_of_two_answers_to_one_op_finds_them() {
    let mut case = sound();
    let mut again = line(&mut case, SIZED, Moment::Ok).clone();
    let What::Write(write) = &mut again.op else { return };
    write.seq = Some(5);
    case.lines.push(again);
    let found = check(&case);
    assert!(found.iter().any(|one| one.rule == Rule::TwoAnswers), "{found:?}");
}

#[test]
fn check_of_a_change_that_its_own_push_has_replaced_misses_no_number() {
    let mut case = sound();
    case.truth.moves = Some(vec![1, 2, 3, 5, 6]);
    assert_eq!(check(&case), []);
    // The last change of a commit is always to be seen, and so is one that no op names.
    for moves in [vec![1, 2, 4, 5, 6], vec![1, 2, 3, 4, 5]] {
        let mut case = sound();
        case.truth.moves = Some(moves);
        assert!(check(&case).iter().any(|one| one.rule == Rule::Gap));
    }
    let mut case = sound();
    case.truth.moves = Some(vec![1, 2, 3, 5, 6]);
    case.truth.decided.entry(id(RESIZED)).and_modify(|one| one.seq = Some(5));
    assert!(check(&case).iter().any(|one| one.rule == Rule::Gap));
}

#[test]
fn check_of_a_value_that_was_taken_away_asks_who_had_seen_it() {
    for (base_seq, is_well) in [(5, true), (2, false)] {
        let mut case = sound();
        let cleared = Write {
            seq: Some(6),
            ..write(80, "item", GLOVES, Action::Patch, base_seq, json!({"size": null}))
        };
        for moment in [Moment::Invoke, Moment::Ok] {
            let t = case.lines.len() as u64;
            case.lines.push(Line { t, replica: 0, moment, op: What::Write(cleared.clone()) });
        }
        let cleared = Decided { status: OpStatus::Applied, seq: Some(6), conflicts: 0 };
        case.truth.decided.insert(id(80), cleared);
        let body = json!({"name": "gloves A", "kind": "gloves", "notes": "note-one"});
        put_everywhere(&mut case, row("item", GLOVES, 4, body));
        let lost = check(&case).iter().any(|one| one.rule == Rule::ValueLost);
        assert_eq!(lost, !is_well);
    }
}

const STATE: u8 = 16;
const DECISION: u8 = 17;

/// The sound history, after which the second device settles which state the gloves are in.
fn decided_state() -> Case {
    let mut case = sound();
    let settle = write(DECISION, "conflict", STATE, Action::Settle, 7, json!({"keep": "kept"}));
    let settle = Write { seq: Some(9), ..settle };
    for moment in [Moment::Invoke, Moment::Ok] {
        let t = case.lines.len() as u64;
        case.lines.push(Line { t, replica: 1, moment, op: What::Write(settle.clone()) });
    }
    let one = Decided { status: OpStatus::Applied, seq: Some(9), conflicts: 0 };
    case.truth.decided.insert(id(DECISION), one);
    let at = "2026-03-01T05:20:00.000Z";
    let resolution =
        json!({"keep": "kept", "action": "settle", "op_id": id(DECISION), "by": id(99), "at": at});
    let question = json!({
        "about": "state_heads", "kind": "item", "record_id": id(GLOVES), "action": "append", "op_id": id(91),
        "offered_by": id(99), "resolution": resolution,
    });
    let entry = json!({"item_id": id(GLOVES), "event": "clear", "observed_at": at, "after": []});
    let mut event = row("log_entry", 92, 8, entry);
    event.id = derived_id(id(DECISION), &["state", &id(GLOVES).to_string()]);
    event.wire = event.wire.replace(&id(92).to_string(), &event.id.to_string());
    (case.truth.head, case.truth.moves) = (9, Some((1..=9).collect()));
    case.truth.commits.extend([7, 9]);
    put_everywhere(&mut case, event);
    put_everywhere(&mut case, row("conflict", STATE, 9, question));
    case.finals[1].made.insert(id(DECISION));
    case
}

#[test]
fn check_of_a_decision_about_a_state_asks_for_its_event_and_for_no_other() {
    assert_eq!(check(&decided_state()), []);
    let found = |case: Case| check(&case).iter().map(|one| one.rule).collect::<Vec<_>>();
    let event = |case: &Case| case.truth.rows.iter().find(|row| row.kind == "log_entry").cloned();
    // Nobody has heard the answer: it may have been made.
    let mut case = decided_state();
    line(&mut case, DECISION, Moment::Ok).moment = Moment::Info;
    assert_eq!(found(case), []);
    let mut case = decided_state();
    case.truth.rows.retain(|row| row.kind != "log_entry");
    assert!(found(case).contains(&Rule::FactLost));
    // Another event than that of the decision, and that of a decision which was refused.
    let mut case = decided_state();
    let other = event(&case).map(|row| Row { id: id(93), ..row }).expect("an event");
    put_everywhere(&mut case, other);
    assert!(found(case).contains(&Rule::FactInvented));
    let mut case = decided_state();
    line(&mut case, DECISION, Moment::Ok).moment = Moment::Fail;
    assert!(found(case).contains(&Rule::FactInvented));
}

#[test]
fn check_of_an_op_of_which_a_part_was_held_back_counts_the_rest_from_its_record() {
    for (conflicts, is_well) in [(1, true), (0, false)] {
        let mut case = sound();
        // The size was written at 2, a conflict about another part of the same op at 3; the next writer had seen up to 2.
        for moment in [Moment::Invoke, Moment::Info, Moment::Ok] {
            let What::Write(write) = &mut line(&mut case, SIZED, moment).op else { return };
            write.seq = Some(3);
        }
        case.truth.decided.insert(id(SIZED), Decided { status: OpStatus::Conflict, seq: Some(3), conflicts });
        assert_eq!(check(&case).iter().any(|one| one.rule == Rule::ValueLost), !is_well);
    }
}

#[test]
fn check_of_a_slow_end_finds_it() {
    let found = check(&Case { rounds: ROUNDS + 1, ..sound() });
    assert_eq!(found.iter().map(|one| one.rule).collect::<Vec<_>>(), [Rule::Undrained]);
}

#[test]
fn check_of_what_may_have_happened_takes_either() {
    for is_there in [true, false] {
        let mut case = sound();
        line(&mut case, WEIGHING, Moment::Ok).moment = Moment::Info;
        if !is_there {
            take_everywhere(&mut case, WEIGHING);
        }
        assert_eq!(check(&case), []);
    }
}

#[test]
fn check_after_a_restore_still_asks_for_every_fact() {
    let mut case = Case { was_restored: true, ..sound() };
    assert_eq!(check(&case), []);
    take_everywhere(&mut case, LATER);
    case.truth.head = 5;
    case.truth.moves = None;
    let found = check(&case);
    assert!(found.iter().any(|one| one.rule == Rule::FactLost), "{found:?}");
}
