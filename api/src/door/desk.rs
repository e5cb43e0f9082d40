//! Deciding in memory, batch after batch, on what was read under the kitroom's lock.

use std::collections::{BTreeMap, HashMap, HashSet, VecDeque};

use domain::sync::op::{Actor, Deciding, Op, OpResult, OpStatus};
use domain::sync::working::{Working, refuse_group};
use domain::time::Timestamp;
use domain::wire::problem::{ErrorCode, Problem};
use serde_json::Value;
use uuid::Uuid;

use super::load::KnownOp;
use super::{Batch, Locked, Sender, groups, quota};
use crate::platform::error::ApiError;

/// An op that was decided just now, with who sent it.
pub(super) struct Decided<'a> {
    pub(super) op: &'a Op,
    pub(super) result: OpResult,
    pub(super) sender: Sender,
}

/// A replica that has sent something.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) struct Sent {
    pub(super) account: Uuid,
    pub(super) schema: i32,
    pub(super) last_op_no: i64,
    pub(super) at: Timestamp,
}

/// What batches are decided on, and what has come of them so far.
pub(super) struct Desk<'a> {
    locked: Locked,
    pub(super) working: Working,
    /// The ops that were decided before this batch.
    known: HashMap<Uuid, KnownOp>,
    /// The account and the last number of each replica that has sent something before this batch.
    replicas: HashMap<Uuid, (Uuid, i64)>,
    /// By account: the other kitrooms that its ops name and it is no member of.
    closed: HashMap<Uuid, HashSet<Uuid>>,
    pub(super) decided: Vec<Decided<'a>>,
    /// The replicas that have sent one of the batches.
    pub(super) sent: BTreeMap<Uuid, Sent>,
}

impl<'a> Desk<'a> {
    pub(super) fn new(
        locked: Locked,
        working: Working,
        known: HashMap<Uuid, KnownOp>,
        replicas: HashMap<Uuid, (Uuid, i64)>,
        closed: HashMap<Uuid, HashSet<Uuid>>,
    ) -> Self {
        Self { locked, working, known, replicas, closed, decided: Vec::new(), sent: BTreeMap::new() }
    }

    /// Decides a batch: one result per op, in their order.
    ///
    /// # Errors
    /// `not-found` for somebody who is no member; `precondition-failed` for another epoch than the one that was read;
    /// `replica-forked`, `op-gap`; and of a change through a resource the problem for which it is refused. Then nothing
    /// of the batch is taken.
    pub(super) fn decide(&mut self, batch: Batch<'a>) -> Result<Vec<OpResult>, ApiError> {
        let Batch { sender, ops } = batch;
        let role = *self.locked.roles.get(&sender.account).ok_or_else(ApiError::not_found)?;
        if sender.if_epoch.is_some_and(|epoch| epoch != self.locked.epoch) {
            let words = "the server was restored or copied since you read this; read it again";
            return Err(ApiError::new(ErrorCode::PreconditionFailed, words));
        }
        self.take_numbers(batch)?;
        self.working.close_off(self.closed.get(&sender.account).cloned().unwrap_or_default());
        let replica = sender.replica.map(|(id, _)| id);
        let deciding = Deciding {
            now: sender.now,
            actor: Actor { account: sender.account, role, replica },
            refuse_future_times: replica.is_none(),
        };
        let mut results = Vec::with_capacity(ops.len());
        let mut decided: Vec<Decided<'a>> = Vec::with_capacity(ops.len());
        let mut seen: HashSet<Uuid> = HashSet::new();
        for range in groups(ops) {
            let mut pending = Vec::new();
            for op in &ops[range] {
                match self.known.get(&op.op_id) {
                    Some(known) => results.push((op.op_id, known.answer(op))),
                    None if !seen.insert(op.op_id) => results.push((op.op_id, reused(op))),
                    None => pending.push(op),
                }
            }
            let over = quota::over(&self.working, self.locked.records, sender.records_at_most, &pending);
            let answers = match over {
                Some((at, problem)) => refuse_group(&pending, at, problem),
                None => self.working.apply_group(&pending, &deciding),
            };
            for (op, result) in pending.into_iter().zip(answers) {
                let result = storable(result);
                results.push((op.op_id, result.clone()));
                decided.push(Decided { op, result, sender });
            }
        }
        if replica.is_none()
            && let Some(problem) = decided.iter().find_map(|one| one.result.problem.clone())
        {
            // A person is waiting for the answer and will mend the request: nothing of it is kept.
            return Err(problem.into());
        }
        for Decided { op, result, .. } in &decided {
            self.known.insert(op.op_id, KnownOp::new(op, result));
        }
        self.decided.extend(decided);
        Ok(in_order(ops, results))
    }

    /// Lets a replica's numbers go on from where it left off.
    fn take_numbers(&mut self, batch: Batch<'_>) -> Result<(), ApiError> {
        let Sender { account, replica: Some((replica, schema)), now, .. } = batch.sender else {
            return Ok(());
        };
        let (owner, last) = self.replicas.get(&replica).copied().unwrap_or((account, 0));
        if owner != account {
            let words = "this replica belongs to another account; give it a new id";
            return Err(Problem::new(ErrorCode::ReplicaForked, words).with("last_op_no", 0).into());
        }
        let last_op_no = check_numbers(last, batch.ops, &self.known)?;
        self.replicas.insert(replica, (account, last_op_no));
        self.sent.insert(replica, Sent { account, schema, last_op_no, at: now });
        Ok(())
    }
}

/// Groups give their answers together; the caller's order is that of the ops.
fn in_order(ops: &[Op], results: Vec<(Uuid, OpResult)>) -> Vec<OpResult> {
    let mut by_id: HashMap<Uuid, VecDeque<OpResult>> = HashMap::new();
    for (id, result) in results {
        by_id.entry(id).or_default().push_back(result);
    }
    ops.iter().filter_map(|op| by_id.get_mut(&op.op_id)?.pop_front()).collect()
}

pub(super) fn reused(op: &Op) -> OpResult {
    let words = format!("op {} stands here or was sent before with other content", op.op_id);
    OpResult {
        op_id: op.op_id,
        status: OpStatus::Rejected,
        seq: None,
        replayed: false,
        problem: Some(Problem::new(ErrorCode::OpIdReused, words)),
        conflict_ids: Vec::new(),
    }
}

/// A refusal quotes what was sent. U+0000 in it is replaced, because the database could not keep the answer, and an op
/// whose answer is not kept would hold up the replica for ever.
fn storable(mut result: OpResult) -> OpResult {
    fn mend(text: &mut String) {
        if text.contains('\0') {
            *text = text.replace('\0', "\u{fffd}");
        }
    }
    fn mend_in(value: &mut Value) {
        match value {
            Value::String(text) => mend(text),
            Value::Array(values) => values.iter_mut().for_each(mend_in),
            Value::Object(map) => {
                *map = std::mem::take(map)
                    .into_iter()
                    .map(|(mut name, mut value)| {
                        mend(&mut name);
                        mend_in(&mut value);
                        (name, value)
                    })
                    .collect();
            }
            _ => {}
        }
    }
    if let Some(problem) = &mut result.problem {
        problem.detail.iter_mut().for_each(mend);
        for error in &mut problem.errors {
            mend(&mut error.pointer);
            mend(&mut error.detail);
        }
        problem.more.values_mut().for_each(mend_in);
    }
    result
}

/// Checks that the numbers of the unknown ops go on without a gap where the replica left off; answers the number that
/// it stands at afterwards.
fn check_numbers(last: i64, ops: &[Op], known: &HashMap<Uuid, KnownOp>) -> Result<i64, ApiError> {
    let mut at = last;
    for op in ops {
        let Some(op_no) = op.op_no else { continue };
        if known.contains_key(&op.op_id) {
            // Sent before; one that reuses an id under a new number still takes up that number.
            at = at.max(if op_no == at + 1 { op_no } else { at });
        } else if op_no <= at {
            let words =
                format!("number {op_no} of this replica was used by another op; give the replica a new id");
            return Err(Problem::new(ErrorCode::ReplicaForked, words).with("last_op_no", last).into());
        } else if op_no > at + 1 {
            let words = format!("number {} comes next, not {op_no}; send the missing ops first", at + 1);
            return Err(Problem::new(ErrorCode::OpGap, words).with("last_op_no", last).into());
        } else {
            at = op_no;
        }
    }
    Ok(at)
}
