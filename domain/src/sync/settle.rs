//! Settling a conflict: the record that it is about and the conflict change together, or nothing does.

use super::conflict::{Write, writes};
use super::merge::{forbidden, missing};
use super::op::{Deciding, Op, OpResult, OpStatus};
use super::record::Lookup;
use super::working::Working;
use crate::kinds;
use crate::wire::conflict::{ConflictBody, Keep, Settle};
use crate::wire::problem::{ErrorCode, Problem};
use crate::wire::shape;

/// Decides and does it. Whoever settles must have seen the conflict as it stands; settling it again in the same way
/// changes nothing.
pub(super) fn settle(working: &mut Working, op: &Op, deciding: &Deciding) -> Result<OpResult, Problem> {
    let kind = &kinds::conflict::KIND;
    let stored = working.get(kind.name, op.record_id).cloned();
    if !kind.allows(&deciding.actor, op.action, stored.as_ref(), &op.payload, &*working) {
        return Err(forbidden(kind, op, deciding));
    }
    let stored = stored.ok_or_else(|| missing(kind, op))?;
    let wanted: Settle = shape::read(&op.payload).map_err(Problem::invalid)?;
    let conflict: ConflictBody = shape::read(&stored.body).map_err(Problem::invalid)?;
    let current = stored.to_wire();
    if let Some(ended) = &conflict.resolution {
        if (ended.keep, &ended.value) == (wanted.keep, &wanted.value) {
            return Ok(done(op, OpStatus::Noop, stored.version));
        }
        let words = "it was settled already, and otherwise; to change the outcome, change the record itself";
        return Err(Problem::new(ErrorCode::ConflictPending, words).with("current", current));
    }
    match op.if_version {
        Some(expected) if expected != stored.version => {
            let words =
                format!("you read version {expected}, it is now at {}; read it again", stored.version);
            return Err(Problem::new(ErrorCode::PreconditionFailed, words).with("current", current));
        }
        None if stored.version > op.base_seq => {
            let words = "it has moved on since you last synced; look at it again";
            return Err(Problem::new(ErrorCode::ConflictPending, words).with("current", current));
        }
        _ => {}
    }
    for write in writes(&conflict, &wanted, op, deciding.now, &*working)? {
        let part = part(op, write);
        working.write(op, &part, deciding).map_err(|problem| placed(problem, wanted.keep))?;
    }
    working.close(stored, conflict, wanted.keep, wanted.value, op, deciding);
    Ok(done(op, OpStatus::Applied, working.head()))
}

fn done(op: &Op, status: OpStatus, seq: i64) -> OpResult {
    let (op_id, conflict_ids) = (op.op_id, Vec::new());
    OpResult { op_id, status, seq: Some(seq), replayed: false, problem: None, conflict_ids }
}

/// One of the changes, by the one who settles and has seen everything.
fn part(op: &Op, write: Write) -> Op {
    Op {
        kind: write.kind.to_owned(),
        record_id: write.record_id,
        action: write.action,
        payload: write.payload,
        base_seq: i64::MAX,
        if_version: None,
        ..op.clone()
    }
}

/// A problem with the value that was given points into it.
fn placed(mut problem: Problem, keep: Keep) -> Problem {
    if keep == Keep::Other {
        for error in &mut problem.errors {
            error.pointer = format!("/value{}", error.pointer);
        }
    }
    problem
}
