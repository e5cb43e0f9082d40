//! No value that was acknowledged goes without a trace: it stands, or somebody who had seen it wrote another, or a conflict
//! keeps it.

use std::collections::BTreeMap;

use domain::sync::op::{Action, OpStatus};
use domain::wire::shape::Object;
use serde_json::Value;
use uuid::Uuid;

use super::{Case, Ended, Op, Rule, Violation, broken};

/// Fields that hold a text which the histories write once only.
const TEXTS: [&str; 6] = ["name", "size", "tag", "notes", "note", "maker"];

pub(super) fn check(case: &Case, ops: &[Op<'_>], found: &mut Vec<Violation>) {
    let mut by_record: BTreeMap<Uuid, Vec<&Op<'_>>> = BTreeMap::new();
    for op in ops.iter().filter(|op| op.ended == Ended::Ok && !op.is_fact() && op.made.kind != "conflict") {
        by_record.entry(op.made.record).or_default().push(op);
    }
    let text = |body: &Object| serde_json::to_string(body).unwrap_or_default();
    let conflicts = case.truth.rows.iter().filter(|row| row.kind == "conflict");
    let mut kept: Vec<String> = conflicts.map(|row| text(&row.body)).collect();
    if case.was_restored {
        kept.extend(refused(case, ops).map(|op| text(&op.made.payload)));
    }
    for (id, mut writes) in by_record {
        // The order in which the service decided them.
        writes.sort_by_key(|op| (op.seq(&case.truth), op.at));
        let stands: Vec<String> =
            case.truth.rows.iter().filter(|row| row.id == id).map(|row| text(&row.body)).collect();
        for (n, write) in writes.iter().enumerate() {
            let decided = case.truth.decided.get(&write.made.op_id);
            let noop = decided.is_some_and(|one| one.status == OpStatus::Noop);
            // Conflicts are numbered behind the record, and the answer names the last of them.
            let conflicts = decided.map_or(0, |one| one.conflicts);
            let seq = write.seq(&case.truth).map_or(i64::MAX, |seq| seq - conflicts);
            for (unit, value) in values(&write.made.payload) {
                let quoted = format!("\"{value}\"");
                let is_there = stands.iter().chain(&kept).any(|body| body.contains(&quoted));
                let mut others = writes.iter().enumerate().filter(|(m, _)| case.was_restored || *m > n);
                let is_replaced = others.any(|(_, later)| replaces(case, write, seq, later, &unit));
                if !is_there && !is_replaced && !noop {
                    let words =
                        format!("{unit} = {value} of {} {id}, by replica {}", write.made.kind, write.replica);
                    found.push(broken(Rule::ValueLost, words));
                }
            }
        }
    }
}

/// What a person brings back after a restore may be refused, because somebody else has brought back less of it before:
/// then it is kept with the reason on the device.
fn refused<'a, 'b>(case: &'a Case, ops: &'a [Op<'b>]) -> impl Iterator<Item = &'a Op<'b>> {
    ops.iter().filter(|op| case.finals.iter().any(|replica| replica.refused.contains(&op.made.op_id)))
}

/// Whether `later` wrote the unit with the value in view.
fn replaces(case: &Case, write: &Op<'_>, seq: i64, later: &Op<'_>, unit: &str) -> bool {
    let touches = later.made.action == Action::Delete || writes(&later.made.payload, unit);
    // After a restore, numbers of before and after are of different histories.
    let had_seen = later.base() >= seq || later.replica == write.replica || case.was_restored;
    later.made.op_id != write.made.op_id && touches && had_seen
}

/// Whether a payload writes this unit, be it to take the value away.
fn writes(payload: &Object, unit: &str) -> bool {
    let (field, key) = unit.split_once('.').map_or((unit, None), |(field, key)| (field, Some(key)));
    match (payload.get(field), key) {
        (Some(Value::Object(map)), Some(key)) => map.contains_key(key),
        (written, _) => written.is_some(),
    }
}

/// The merge units that a payload writes, and the text that nobody else writes there.
fn values(payload: &Object) -> Vec<(String, String)> {
    let mut values = Vec::new();
    for (field, value) in payload {
        match value {
            Value::Object(map) => {
                let each = map.iter().filter_map(|(key, value)| Some((key, value.as_str()?)));
                values.extend(each.map(|(key, value)| (format!("{field}.{key}"), value.to_owned())));
            }
            Value::String(text) if TEXTS.contains(&field.as_str()) => {
                values.push((field.clone(), text.clone()))
            }
            _ => {}
        }
    }
    values
}
