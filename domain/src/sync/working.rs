//! A batch at work: the records that it touches or refers to, with every group decided so far laid over them.

use std::collections::{BTreeMap, HashMap, HashSet};

use uuid::Uuid;

use super::canonical::row_hash;
use super::merge::decide;
use super::op::{Deciding, Op, OpResult, OpStatus};
use super::record::{Lookup, Stored};
use crate::kinds::{self, Dirty, KINDS};
use crate::wire::problem::{ErrorCode, FieldError, Problem};

/// A record's address within its kitroom.
pub type Key = (&'static str, Uuid);

/// The state that a batch is decided on. Load into it every record that the batch names or refers to, directly or
/// through other references.
#[derive(Debug, Clone, Default)]
pub struct Working {
    records: HashMap<Key, Stored>,
    referred: HashSet<Key>,
    changed: BTreeMap<Key, i64>,
    hash_before: HashMap<Key, Option<i64>>,
    dirty: HashSet<Dirty>,
    head: i64,
}

impl Working {
    /// An empty state at the kitroom's last change number.
    #[must_use]
    pub fn new(head: i64) -> Self {
        Self { head, ..Self::default() }
    }

    /// Lays a stored record in.
    pub fn load(&mut self, kind: &'static str, record: Stored) {
        self.records.insert((kind, record.id), record);
    }

    /// Whether the record is here.
    #[must_use]
    pub fn holds(&self, kind: &'static str, id: Uuid) -> bool {
        self.records.contains_key(&(kind, id))
    }

    /// Notes that a live record outside this state refers to this one.
    pub fn refer(&mut self, kind: &'static str, id: Uuid) {
        self.referred.insert((kind, id));
    }

    /// The number of the last change so far.
    #[must_use]
    pub fn head(&self) -> i64 {
        self.head
    }

    /// The records of a kind that changed, in the order of their last change.
    #[must_use]
    pub fn changed(&self, kind: &str) -> Vec<&Stored> {
        let mut records: Vec<&Stored> =
            self.changed.keys().filter(|key| key.0 == kind).filter_map(|key| self.records.get(key)).collect();
        records.sort_by_key(|record| record.version);
        records
    }

    /// By kind: how many records came new, and by how much the wrapping sum of row hashes moved.
    #[must_use]
    pub fn digest_moves(&self) -> BTreeMap<&'static str, (i64, i64)> {
        let mut moves: BTreeMap<&'static str, (i64, i64)> = BTreeMap::new();
        for (key, before) in &self.hash_before {
            let Some(record) = self.records.get(key) else { continue };
            let (count, sum) = moves.entry(key.0).or_default();
            *count += i64::from(before.is_none());
            *sum = sum.wrapping_add(row_hash(key.0, record)).wrapping_sub(before.unwrap_or(0));
        }
        moves
    }

    /// The derived values that the batch made stale.
    #[must_use]
    pub fn dirty(&self) -> Vec<Dirty> {
        let mut dirty: Vec<Dirty> = self.dirty.iter().copied().collect();
        dirty.sort_unstable();
        dirty
    }

    /// Decides the ops of one group: all of them are taken, or none. One refused op refuses its siblings.
    pub fn apply_group(&mut self, ops: &[&Op], deciding: &Deciding) -> Vec<OpResult> {
        let before = (ops.len() > 1).then(|| self.clone());
        let mut results = Vec::with_capacity(ops.len());
        for (at, op) in ops.iter().enumerate() {
            match self.apply_one(op, deciding) {
                Ok(result) => results.push(result),
                Err(problem) => {
                    if let Some(before) = before {
                        *self = before;
                    }
                    return refuse_group(ops, at, problem);
                }
            }
        }
        results
    }

    fn apply_one(&mut self, op: &Op, deciding: &Deciding) -> Result<OpResult, Problem> {
        let kind = kinds::kind(&op.kind).ok_or_else(|| unknown_kind(&op.kind))?;
        let key = (kind.name, op.record_id);
        let stored = self.records.get(&key);
        let outcome = decide(kind, stored, op, self.head + 1, deciding, &*self)?;
        let seq = match outcome.change {
            None => stored.map(|record| record.version),
            Some(record) => {
                self.dirty.extend((kind.dirties)(&record, &*self));
                let before = stored.map(|record| row_hash(kind.name, record));
                self.hash_before.entry(key).or_insert(before);
                self.changed.insert(key, record.version);
                self.records.insert(key, record);
                self.head += 1;
                Some(self.head)
            }
        };
        Ok(OpResult {
            op_id: op.op_id,
            status: outcome.status,
            seq,
            replayed: false,
            problem: None,
            conflict_ids: vec![],
        })
    }
}

fn unknown_kind(name: &str) -> Problem {
    let known: Vec<&str> = KINDS.iter().map(|kind| kind.name).collect();
    let words = format!("there is no kind {name:?}; this server knows {}", known.join(", "));
    Problem::invalid(vec![FieldError::new("/kind", "unknown-kind", words)])
}

/// The answers of a group of which the op at `failed` is refused with a problem.
#[must_use]
pub fn refuse_group(ops: &[&Op], failed: usize, problem: Problem) -> Vec<OpResult> {
    let rejected = |op: &Op, problem| OpResult {
        op_id: op.op_id,
        status: OpStatus::Rejected,
        seq: None,
        replayed: false,
        problem: Some(problem),
        conflict_ids: vec![],
    };
    let words = format!("op {} of the same group was refused", ops[failed].op_id);
    let sibling =
        Problem::new(ErrorCode::GroupMemberRejected, words).with("op_id", ops[failed].op_id.to_string());
    ops.iter()
        .enumerate()
        .map(|(at, op)| rejected(op, if at == failed { problem.clone() } else { sibling.clone() }))
        .collect()
}

impl Lookup for Working {
    fn get(&self, kind: &str, id: Uuid) -> Option<&Stored> {
        self.records.get(&(kinds::kind(kind)?.name, id))
    }

    fn in_use(&self, kind: &str, id: Uuid) -> bool {
        let Some(kind) = kinds::kind(kind) else { return false };
        self.referred.contains(&(kind.name, id))
            || self.records.iter().any(|((from, _), record)| {
                record.is_live()
                    && kinds::kind(from).is_some_and(|from| {
                        from.references(&record.body)
                            .any(|(reference, target)| reference.kind == kind.name && target == id)
                    })
            })
    }
}
