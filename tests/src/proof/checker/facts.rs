//! Facts are a set: each that was acknowledged is there once and as it was given, and nothing is there that nobody asked
//! for. Whoever settles a question of two states of an item asks for one event that follows both.

use std::collections::BTreeMap;

use domain::kinds::log_entry::settled_id;
use domain::kinds::{self, reference_id};
use domain::sync::op::Action;
use domain::wire::conflict::{About, ConflictBody};
use domain::wire::shape;
use uuid::Uuid;

use super::{Case, Ended, Op, Rule, Violation, broken};
use crate::proof::truth::Row;

pub(super) fn check(case: &Case, ops: &[Op<'_>], found: &mut Vec<Violation>) {
    let mut there: BTreeMap<Uuid, Vec<&Row>> = BTreeMap::new();
    let is_fact = |row: &&Row| kinds::kind(&row.kind).is_some_and(kinds::Kind::is_fact);
    for row in case.truth.rows.iter().filter(is_fact) {
        there.entry(row.id).or_default().push(row);
    }
    let mut asked: BTreeMap<Uuid, Vec<&Op<'_>>> = BTreeMap::new();
    for op in ops.iter().filter(|op| op.made.action == Action::Append && op.is_fact()) {
        asked.entry(op.made.record).or_default().push(op);
    }
    for (id, rows) in &there {
        if rows.len() > 1 {
            found.push(broken(
                Rule::FactDoubled,
                format!("{} {id} is there {} times", rows[0].kind, rows.len()),
            ));
        }
        if !asked.contains_key(id) && !was_settled(rows[0], ops) {
            found.push(broken(Rule::FactInvented, format!("nobody asked for {} {id}", rows[0].kind)));
        }
    }
    for (id, asked) in &asked {
        let row = there.get(id).map(|rows| rows[0]);
        let (kind, replica) = (&asked[0].made.kind, asked[0].replica);
        if let Some(op) = asked.iter().find(|op| op.ended == Ended::Ok) {
            match row {
                None => found.push(broken(Rule::FactLost, format!("{kind} {id} of replica {replica}"))),
                Some(row) if !is_as_given(op, row) => {
                    found.push(broken(Rule::FactChanged, format!("{kind} {id} of replica {replica}")));
                }
                Some(_) => {}
            }
        } else if row.is_some() && asked.iter().all(|op| op.ended == Ended::Failed) {
            found.push(broken(Rule::FactRefused, format!("{kind} {id} of replica {replica}")));
        }
    }
    check_settled(case, ops, found);
}

/// Whether a fact is the event that a decision about the state of its item has made. The id says of which decision.
fn was_settled(row: &Row, ops: &[Op<'_>]) -> bool {
    let Some(item) = reference_id(&row.body, "item_id").filter(|_| row.kind == "log_entry") else {
        return false;
    };
    let may_be = |op: &&Op<'_>| op.made.action == Action::Settle && op.ended != Ended::Failed;
    ops.iter().filter(may_be).any(|op| settled_id(op.made.op_id, item) == row.id)
}

/// A decision about the state of an item that was acknowledged and holds has made its event.
fn check_settled(case: &Case, ops: &[Op<'_>], found: &mut Vec<Violation>) {
    let rows = &case.truth.rows;
    for op in ops.iter().filter(|op| op.made.action == Action::Settle && op.ended == Ended::Ok) {
        let conflict = rows.iter().find(|row| row.id == op.made.record && row.kind == "conflict");
        let body = conflict.and_then(|row| shape::read::<ConflictBody>(&row.body).ok());
        let Some(body) = body.filter(|body| body.about == About::StateHeads) else { continue };
        let id = settled_id(op.made.op_id, body.record_id);
        let holds = body.resolution.is_some_and(|resolution| resolution.op_id == op.made.op_id);
        if holds && !rows.iter().any(|row| row.id == id) {
            let words = format!("the event {id} of a decision by replica {}", op.replica);
            found.push(broken(Rule::FactLost, words));
        }
    }
}

fn is_as_given(op: &Op<'_>, row: &Row) -> bool {
    let given = kinds::kind(&op.made.kind).and_then(|kind| (kind.normalise)(&op.made.payload).ok());
    given.is_some_and(|given| given == row.body)
}
