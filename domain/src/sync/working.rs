//! A batch at work: the records that it touches or refers to, with every group decided so far laid over them.

mod upkeep;

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use uuid::Uuid;

use self::upkeep::Wrote;
use super::canonical::row_hash;
use super::conflict::beside;
use super::merge::{Outcome, decide};
use super::op::{Action, Deciding, Op, OpResult, OpStatus};
use super::record::{Lookup, Stored};
use crate::kinds::{self, Dirty, KINDS, Kind, reference_id};
use crate::wire::problem::{ErrorCode, FieldError, Problem};

/// A record's address within its kitroom.
pub type Key = (&'static str, Uuid);

const CONFLICT: &Kind = &kinds::conflict::KIND;

/// The state that a batch is decided on. Load into it every record that the batch names or refers to, directly or
/// through other references; the companions of those (see [`Kind::companions`]); and the open conflicts about them.
#[derive(Debug, Clone, Default)]
pub struct Working {
    records: HashMap<Key, Stored>,
    /// By what a record is named: who names it. Former names stay in and are sorted out when they are asked for.
    named_by: HashMap<Key, Vec<Key>>,
    /// By the record in question: its conflicts.
    conflicts: HashMap<Uuid, BTreeSet<Uuid>>,
    referred: HashSet<Key>,
    closed: HashSet<Uuid>,
    changed: BTreeMap<Key, i64>,
    hash_before: HashMap<Key, Option<i64>>,
    dirty: HashSet<Dirty>,
    head: i64,
    foresees: bool,
    undo: Vec<Undo>,
}

/// A record that a batch has changed.
#[derive(Debug, Clone, Copy)]
pub struct Moved<'a> {
    /// Its kind.
    pub kind: &'static Kind,
    /// As it stands now.
    pub record: &'a Stored,
    /// The hash that it had before; none when it was not there.
    pub before: Option<i64>,
    /// Its hash ([`row_hash`]).
    pub hash: i64,
}

/// By kind: how many of these records came new, and by how much the wrapping sum of row hashes moved with them.
#[must_use]
pub fn digest_moves(moved: &[Moved<'_>]) -> BTreeMap<&'static str, (i64, i64)> {
    let mut moves: BTreeMap<&'static str, (i64, i64)> = BTreeMap::new();
    for Moved { kind, before, hash, .. } in moved {
        let (count, sum) = moves.entry(kind.name).or_default();
        *count += i64::from(before.is_none());
        *sum = sum.wrapping_add(*hash).wrapping_sub(before.unwrap_or(0));
    }
    moves
}

/// What a step has taken the place of.
#[derive(Debug, Clone)]
enum Undo {
    Record { key: Key, before: Option<Box<Stored>>, changed: Option<i64>, hashed: bool },
    Dirty(Dirty),
}

impl Working {
    /// An empty state at the kitroom's last change number.
    #[must_use]
    pub fn new(head: i64) -> Self {
        Self { head, ..Self::default() }
    }

    /// The same for a device: it foresees which ops contradict something, and leaves it to the service to open conflicts.
    #[must_use]
    pub fn foreseeing(head: i64) -> Self {
        Self { head, foresees: true, ..Self::default() }
    }

    /// Lays a stored record in.
    pub fn load(&mut self, kind: &'static str, record: Stored) {
        if let Some(kind) = kinds::kind(kind) {
            self.note_names(kind, &record, None);
        }
        self.records.insert((kind, record.id), record);
    }

    /// Keeps the reverse of the references up.
    fn note_names(&mut self, kind: &'static Kind, record: &Stored, before: Option<&Stored>) {
        let same = |field: &str| before.is_some_and(|b| b.body.get(field) == record.body.get(field));
        for (reference, id) in kind.references(&record.body) {
            if !same(reference.field) {
                self.named_by.entry((reference.kind, id)).or_default().push((kind.name, record.id));
            }
        }
        if kind.name == CONFLICT.name
            && let Some(about) = reference_id(&record.body, "record_id")
        {
            self.conflicts.entry(about).or_default().insert(record.id);
        }
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

    /// Notes of which of the other kitrooms that the next writer names that writer is no member.
    pub fn close_off(&mut self, kitrooms: HashSet<Uuid>) {
        self.closed = kitrooms;
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

    /// How many records came new.
    #[must_use]
    pub fn made(&self) -> usize {
        self.hash_before.values().filter(|before| before.is_none()).count()
    }

    /// Whether a record has come new.
    #[must_use]
    pub fn is_new(&self, kind: &'static str, id: Uuid) -> bool {
        self.hash_before.get(&(kind, id)).is_some_and(Option::is_none)
    }

    /// All records that changed, a kind after those that it refers to.
    #[must_use]
    pub fn moved(&self) -> Vec<Moved<'_>> {
        let mut moved = Vec::with_capacity(self.changed.len());
        for kind in KINDS {
            moved.extend(self.changed(kind.name).into_iter().map(|record| Moved {
                kind,
                record,
                before: self.hash_before.get(&(kind.name, record.id)).copied().flatten(),
                hash: row_hash(kind.name, record),
            }));
        }
        moved
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
        let head = self.head;
        self.undo.clear();
        let mut results = Vec::with_capacity(ops.len());
        for (at, op) in ops.iter().enumerate() {
            match self.apply_one(op, deciding) {
                Ok(result) => results.push(result),
                Err(problem) => {
                    self.take_back();
                    self.head = head;
                    return refuse_group(ops, at, problem);
                }
            }
        }
        results
    }

    /// Puts back what stood before the group.
    fn take_back(&mut self) {
        while let Some(step) = self.undo.pop() {
            match step {
                Undo::Dirty(dirty) => {
                    self.dirty.remove(&dirty);
                }
                Undo::Record { key, before, changed, hashed } => {
                    match before {
                        Some(before) => self.records.insert(key, *before),
                        None => self.records.remove(&key),
                    };
                    match changed {
                        Some(seq) => self.changed.insert(key, seq),
                        None => self.changed.remove(&key),
                    };
                    if !hashed {
                        self.hash_before.remove(&key);
                    }
                }
            }
        }
    }

    /// Gives a record its place, under the next number.
    fn put(&mut self, kind: &'static Kind, record: Stored) {
        let key = (kind.name, record.id);
        for dirty in (kind.dirties)(&record, &*self) {
            if self.dirty.insert(dirty) {
                self.undo.push(Undo::Dirty(dirty));
            }
        }
        let before = self.records.remove(&key);
        self.note_names(kind, &record, before.as_ref());
        let hashed = self.hash_before.contains_key(&key);
        if !hashed {
            self.hash_before.insert(key, before.as_ref().map(|record| row_hash(kind.name, record)));
        }
        self.head = record.version;
        let changed = self.changed.insert(key, record.version);
        self.records.insert(key, record);
        self.undo.push(Undo::Record { key, before: before.map(Box::new), changed, hashed });
    }

    fn apply_one(&mut self, op: &Op, deciding: &Deciding) -> Result<OpResult, Problem> {
        let kind = kinds::kind(&op.kind).ok_or_else(|| unknown_kind(&op.kind))?;
        if op.action == Action::Settle && kind.knows(op.action) {
            return super::settle::settle(self, op, deciding);
        }
        let stored = self.records.get(&(kind.name, op.record_id));
        if stored.is_some_and(|stored| made_elsewhere(kind, stored, op, deciding)) {
            let change = Op { action: Action::Patch, ..op.clone() };
            return self.apply_one(&change, deciding);
        }
        if stored.is_none()
            && let Some((conflict, body)) = self.held_creation(op, deciding)
        {
            return self.amend(kind, op, deciding, conflict, body);
        }
        let version = stored.map(|record| record.version);
        let outcome = decide(kind, stored, op, self.head + 1, deciding, &*self)?;
        let own = outcome.change.as_ref().map(|record| record.version).or(version);
        let status = outcome.status;
        let conflict_ids = self.install(kind, op, outcome, deciding, None);
        let (status, seq) = if conflict_ids.is_empty() {
            (status, own)
        } else {
            (OpStatus::Conflict, Some(if self.foresees { own.unwrap_or(self.head) } else { self.head }))
        };
        Ok(OpResult { op_id: op.op_id, status, seq, replayed: false, problem: None, conflict_ids })
    }

    /// Puts what an op does in place, keeps what it contradicts, and looks after the conflicts that it concerns. Answers
    /// the conflicts that it opened or added to.
    fn install(
        &mut self,
        kind: &'static Kind,
        op: &Op,
        outcome: Outcome,
        deciding: &Deciding,
        settling: Option<Uuid>,
    ) -> Vec<Uuid> {
        let Outcome { change, touched, mut contradictions, .. } = outcome;
        let changed = change.is_some();
        if !changed && contradictions.is_empty() && kind.is_fact() {
            // The same fact again says nothing new.
            return Vec::new();
        }
        if let Some(record) = change {
            self.put(kind, record);
        }
        let key = (kind.name, op.record_id);
        if changed
            && kind.is_fact()
            && let Some(record) = self.records.get(&key)
        {
            contradictions.extend(beside(kind, record, op.action, &*self));
        }
        if self.foresees {
            return contradictions.iter().map(|found| found.id(op)).collect();
        }
        let held: Vec<String> = contradictions.iter().flat_map(|found| found.units.iter().cloned()).collect();
        let mut opened = Vec::with_capacity(contradictions.len());
        for found in contradictions {
            opened.push(self.open(found, op, deciding));
        }
        if !self.conflicts.is_empty()
            && let Some(record) = self.records.get(&key).cloned()
        {
            let done = opened.iter().copied().chain(settling).collect();
            self.follow(kind, &record, op, deciding, &Wrote { touched, held, done });
        }
        opened
    }

    /// Decides and installs a change that is part of a larger step whose author has seen everything.
    ///
    /// # Errors
    /// The problem for which it is refused.
    pub(super) fn write(&mut self, op: &Op, part: &Op, deciding: &Deciding) -> Result<(), Problem> {
        let kind = kinds::kind(&part.kind).ok_or_else(|| unknown_kind(&part.kind))?;
        let stored = self.records.get(&(kind.name, part.record_id));
        let outcome = decide(kind, stored, part, self.head + 1, deciding, &*self)?;
        if !outcome.contradictions.is_empty() {
            let words = "it contradicts what stands now; read it again";
            return Err(Problem::new(ErrorCode::ConflictPending, words));
        }
        // Other conflicts about the record have not been looked at by settling this one.
        let unseen = Op { base_seq: 0, ..part.clone() };
        let outcome = Outcome { touched: Vec::new(), ..outcome };
        self.install(kind, &unseen, outcome, deciding, Some(op.record_id));
        Ok(())
    }
}

/// Whether a device makes a record that is there already and differs. Ids are drawn at random, so it is the same thing:
/// two devices have brought back what a restored service had lost, or have read one file. What the later one says of it
/// counts as a change, and contradicts what was written in the meantime.
fn made_elsewhere(kind: &Kind, stored: &Stored, op: &Op, deciding: &Deciding) -> bool {
    op.action == Action::Create
        && !kind.is_fact()
        && deciding.actor.replica.is_some()
        && !stored.deleted
        && (kind.normalise)(&op.payload).is_ok_and(|body| body != stored.body)
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
        let key = (kind.name, id);
        self.referred.contains(&key)
            || self.named_by.get(&key).into_iter().flatten().any(|source| {
                self.records.get(source).is_some_and(Stored::is_live)
                    && self.still_names(source, &key, |_| true)
            })
    }

    fn is_closed(&self, kitroom: Uuid) -> bool {
        self.closed.contains(&kitroom)
    }

    fn referring(&self, kind: &str, field: &str, id: Uuid) -> Vec<&Stored> {
        let Some(kind) = kinds::kind(kind) else { return Vec::new() };
        let Some(reference) = kind.refs.iter().find(|reference| reference.field == field) else {
            return Vec::new();
        };
        let key = (reference.kind, id);
        let sources =
            self.named_by.get(&key).into_iter().flatten().filter(|source| {
                source.0 == kind.name && self.still_names(source, &key, |named| named == field)
            });
        let mut seen = HashSet::new();
        let sources = sources.filter(|source| seen.insert(source.1));
        let mut records: Vec<&Stored> = sources.filter_map(|source| self.records.get(source)).collect();
        records.sort_by_key(|record| record.version);
        records
    }
}

impl Working {
    /// Whether a record still names another, in a field that is asked for.
    fn still_names(&self, source: &Key, target: &Key, field: impl Fn(&str) -> bool) -> bool {
        let Some((kind, record)) = kinds::kind(source.0).zip(self.records.get(source)) else { return false };
        kind.references(&record.body)
            .any(|(reference, id)| (reference.kind, id) == *target && field(reference.field))
    }
}
