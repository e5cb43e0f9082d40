//! The bookkeeping of ops that base does not hold yet.

use std::collections::HashMap;

use uuid::Uuid;

use super::effect::Write;
use super::event::NewOp;
use super::state::{Limits, Room};
use crate::wire::problem::{ErrorCode, Problem};

/// How far an op is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Stage {
    /// Not sent.
    Pending,
    /// Sent, and no answer has come.
    Sent,
    /// Taken. It leaves the outbox once a page has brought its record at `version` or later, and base has reached `at`.
    Acked {
        /// The version that a page must bring; 0 when one has.
        version: i64,
        /// The change that base must have reached.
        at: i64,
    },
}

/// An op of the outbox as the machine knows it.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Entry {
    /// Its id.
    pub op_id: Uuid,
    /// Its number under the replica's present id; 0 when it was taken under another one.
    pub op_no: i64,
    /// Its group.
    pub group: String,
    /// Its record.
    pub record_id: Uuid,
    /// The last change that its author had seen.
    pub base_seq: i64,
    /// Its size in a push, in bytes of JSON with the comma behind it.
    pub bytes: usize,
    /// How far it is.
    pub stage: Stage,
}

impl Entry {
    /// Whether it waits to be sent, or for an answer.
    #[must_use]
    pub fn is_unsent(&self) -> bool {
        matches!(self.stage, Stage::Pending | Stage::Sent)
    }
}

/// Room for the envelope of a push.
const ENVELOPE_BYTES: usize = 1024;

/// Why a group of ops cannot be sent in one push, if it cannot: check it before a change is taken in.
#[must_use]
pub fn too_large(ops: usize, bytes: usize, limits: Limits) -> Option<Problem> {
    if ops > limits.ops {
        let words = format!("one step changes at most {} records; this one would change {ops}", limits.ops);
        return Some(Problem::new(ErrorCode::PayloadTooLarge, words));
    }
    let most = limits.bytes.saturating_sub(ENVELOPE_BYTES);
    (bytes > most).then(|| {
        let words = format!("one step has at most {most} bytes; this one would have {bytes}");
        Problem::new(ErrorCode::PayloadTooLarge, words)
    })
}

/// What goes into the next push.
#[derive(Debug, PartialEq)]
pub(super) enum Batch {
    /// These ops.
    Ops(Vec<Uuid>),
    /// Nothing: the first group cannot be sent at all.
    TooLarge(Vec<Uuid>, Problem),
}

impl Room {
    /// Numbers new ops and takes them in.
    pub(super) fn enqueue(&mut self, kitroom: Uuid, ops: Vec<NewOp>) -> Vec<Write> {
        let mut writes = Vec::with_capacity(ops.len() + 1);
        for op in ops {
            self.kept.last_op_no += 1;
            let op_no = self.kept.last_op_no;
            let base_seq = op.seen.map_or(self.kept.base_seq, |seen| seen.min(self.kept.base_seq));
            writes.push(Write::Enqueue { kitroom, op_id: op.op_id, op_no, base_seq });
            self.outbox.push(Entry {
                op_id: op.op_id,
                op_no,
                group: op.group,
                record_id: op.record_id,
                base_seq,
                bytes: op.bytes,
                stage: Stage::Pending,
            });
        }
        writes.push(Write::Room(kitroom, self.kept.clone()));
        writes
    }

    pub(super) fn has_unsent(&self) -> bool {
        self.outbox.iter().any(Entry::is_unsent)
    }

    /// The next ops to send: whole groups in their order, within the limits; none when nothing waits.
    pub(super) fn batch(&self, limits: Limits) -> Option<Batch> {
        let unsent: Vec<&Entry> = self.outbox.iter().filter(|entry| entry.is_unsent()).collect();
        let most = self.turn.at_most.unwrap_or(limits.ops);
        let mut ops = Vec::new();
        let mut bytes = ENVELOPE_BYTES;
        for group in unsent.chunk_by(|a, b| a.group == b.group) {
            let size: usize = group.iter().map(|entry| entry.bytes).sum();
            let ids = group.iter().map(|entry| entry.op_id);
            if ops.is_empty() {
                if let Some(problem) = too_large(group.len(), size, limits) {
                    return Some(Batch::TooLarge(ids.collect(), problem));
                }
            } else if ops.len() + group.len() > most || bytes + size > limits.bytes {
                break;
            }
            bytes += size;
            ops.extend(ids);
        }
        (!ops.is_empty()).then_some(Batch::Ops(ops))
    }

    /// Gives the unsent ops the numbers from `first` on, in their order.
    pub(super) fn renumber(&mut self, kitroom: Uuid, first: i64) -> Vec<Write> {
        let mut numbers = Vec::new();
        let mut next = first;
        for entry in self.outbox.iter_mut().filter(|entry| entry.is_unsent()) {
            if entry.op_no != next {
                entry.op_no = next;
                numbers.push((entry.op_id, next));
            }
            next += 1;
        }
        self.kept.last_op_no = next - 1;
        let mut writes = Vec::new();
        if !numbers.is_empty() {
            writes.push(Write::Numbers { kitroom, numbers });
        }
        writes.push(Write::Room(kitroom, self.kept.clone()));
        writes
    }

    /// The number that the first unsent op has, or the next one would get.
    pub(super) fn first_unsent_no(&self) -> i64 {
        let unsent = self.outbox.iter().filter(|entry| entry.is_unsent()).count();
        self.kept.last_op_no + 1 - i64::try_from(unsent).unwrap_or(0)
    }

    /// Becomes another replica: what is unsent counts from 1, and no old number means anything.
    pub(super) fn renumber_for_new_replica(&mut self, kitroom: Uuid) -> Vec<Write> {
        let mut forgotten = Vec::new();
        for entry in self.outbox.iter_mut().filter(|entry| !entry.is_unsent() && entry.op_no != 0) {
            entry.op_no = 0;
            forgotten.push((entry.op_id, 0));
        }
        let mut writes = Vec::new();
        if !forgotten.is_empty() {
            writes.push(Write::Numbers { kitroom, numbers: forgotten });
        }
        writes.extend(self.renumber(kitroom, 1));
        writes
    }

    /// Keeps these ops as refused by this device itself: no push can carry them. What stands behind moves up.
    pub(super) fn reject_here(&mut self, kitroom: Uuid, ops: &[Uuid], problem: &Problem) -> Vec<Write> {
        let first = self.first_unsent_no();
        self.outbox.retain(|entry| !ops.contains(&entry.op_id));
        let rejected =
            |op_id: &Uuid| Write::Rejected { kitroom, op_id: *op_id, problem: Some(problem.clone()) };
        let mut writes: Vec<Write> = ops.iter().map(rejected).collect();
        writes.extend(self.renumber(kitroom, first));
        writes
    }

    /// Turns taken ops that `lost` names into waiting ones.
    pub(super) fn send_again(&mut self, kitroom: Uuid, lost: impl Fn(&Entry) -> bool) -> Vec<Write> {
        let first = self.first_unsent_no();
        let mut ops = Vec::new();
        for entry in &mut self.outbox {
            if !entry.is_unsent() && lost(entry) {
                entry.stage = Stage::Pending;
                ops.push(entry.op_id);
            }
        }
        if ops.is_empty() {
            return Vec::new();
        }
        self.kept.adrift = true;
        let mut writes = vec![Write::Waiting { kitroom, ops }];
        writes.extend(self.renumber(kitroom, first));
        writes
    }

    /// Notes which records a page has brought, and lets go of the ops whose effect base then holds.
    pub(super) fn settle(&mut self, kitroom: Uuid, rows: &[(Uuid, i64)]) -> Vec<Write> {
        if !self.outbox.iter().any(|entry| !entry.is_unsent()) {
            return Vec::new();
        }
        let brought: HashMap<Uuid, i64> = rows.iter().copied().collect();
        let reached = self.kept.base_seq;
        let (mut writes, mut forgotten) = (Vec::new(), Vec::new());
        self.outbox.retain_mut(|entry| {
            let Stage::Acked { version, at } = &mut entry.stage else { return true };
            let met = *version > 0 && brought.get(&entry.record_id).is_some_and(|seq| *seq >= *version);
            if met {
                *version = 0;
            }
            if *version == 0 && *at <= reached {
                forgotten.push(entry.op_id);
                return false;
            }
            if met {
                writes.push(Write::Acked { kitroom, op_id: entry.op_id, version: 0, at: *at });
            }
            true
        });
        if !forgotten.is_empty() {
            writes.push(Write::Forget { kitroom, ops: forgotten });
        }
        writes
    }
}
