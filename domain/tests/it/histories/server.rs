//! A model of the service: the same decisions as the real one ([`Working`]), a map instead of a database.

use std::collections::{BTreeMap, HashMap, HashSet};

use domain::kinds::{self, KINDS};
use domain::sync::canonical::row_hash;
use domain::sync::feed::Place;
use domain::sync::op::{Actor, Deciding, Op, OpResult, OpStatus, Role};
use domain::sync::record::{Lookup, Stored};
use domain::sync::working::Working;
use domain::time::Timestamp;
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::shape::Object;
use uuid::Uuid;

use super::mutants::Mutant;

/// A record's address.
pub type Key = (&'static str, Uuid);

/// A row of a page.
#[derive(Debug, Clone)]
pub struct Row {
    pub key: Key,
    pub seq: i64,
    pub deleted: bool,
    pub record: Option<Object>,
}

/// The answer to a pull.
#[derive(Debug, Clone)]
pub struct Page {
    pub epoch: Uuid,
    pub rows: Vec<Row>,
    pub next_cursor: String,
    pub has_more: bool,
    pub head_seq: i64,
}

/// The answer to a push.
#[derive(Debug, Clone)]
pub struct Answer {
    pub epoch: Uuid,
    pub head_seq: i64,
    pub results: Vec<OpResult>,
    pub ack: String,
}

/// An op that was decided, as the checker needs it.
#[derive(Debug, Clone)]
pub struct Decided {
    pub op: Op,
    pub replica: Uuid,
    pub result: OpResult,
    /// The head before it.
    pub before: i64,
    /// Its record as the op left it.
    pub after: Option<Stored>,
}

/// What a kitroom holds on the service.
#[derive(Debug, Clone)]
pub struct Server {
    pub epoch: Uuid,
    pub head: i64,
    pub floor: i64,
    pub records: BTreeMap<Key, Stored>,
    marks: BTreeMap<i64, u64>,
    replicas: BTreeMap<Uuid, (Uuid, i64)>,
    pub applied: HashMap<Uuid, ([u8; 32], OpResult)>,
    pub members: BTreeMap<Uuid, Role>,
    pub decided: Vec<Decided>,
    /// What a mutant has in hand: records as they were before the last commit.
    stale: Option<(i64, BTreeMap<Key, Stored>)>,
    /// Records whose commit is late.
    late: Vec<(Key, Stored)>,
    pub mutant: Option<Mutant>,
}

impl Server {
    pub fn new(epoch: Uuid, members: impl IntoIterator<Item = Uuid>, mutant: Option<Mutant>) -> Self {
        Self {
            epoch,
            head: 0,
            floor: 0,
            records: BTreeMap::new(),
            marks: BTreeMap::new(),
            replicas: BTreeMap::new(),
            applied: HashMap::new(),
            members: members.into_iter().map(|account| (account, Role::Owner)).collect(),
            decided: Vec::new(),
            stale: None,
            late: Vec::new(),
            mutant,
        }
    }

    fn is(&self, mutant: Mutant) -> bool {
        self.mutant == Some(mutant)
    }

    fn member(&self, account: Uuid) -> Result<Role, Problem> {
        let words = "no such kitroom";
        self.members.get(&account).copied().ok_or_else(|| Problem::new(ErrorCode::NotFound, words))
    }

    /// The mark of the commit that holds this change.
    fn mark(&self, seq: i64) -> u64 {
        if seq == 0 { 0 } else { self.marks.range(seq..).next().map_or(0, |(_, mark)| *mark) }
    }

    fn cursor(&self, place: Place) -> String {
        let Place { seq, seen, began_at } = place;
        format!("{}/{seq}/{seen}/{}/{}", self.epoch, self.mark(seen), began_at.unwrap_or(0))
    }

    fn ack(&self) -> String {
        self.cursor(Place::start(0).moved_to(self.head, self.head))
    }

    /// Where a cursor or an ack stands, when it was made here.
    pub fn place_of(&self, cursor: &str) -> Result<Place, Problem> {
        let parts: Vec<&str> = cursor.split('/').collect();
        let invalid = || Problem::new(ErrorCode::CursorInvalid, "none of ours");
        let [epoch, seq, seen, mark, began_at] = parts.as_slice() else { return Err(invalid()) };
        let number = |text: &str| text.parse::<i64>().map_err(|_| invalid());
        let (seq, seen, began_at) = (number(seq)?, number(seen)?, number(began_at)?);
        let mark: u64 = mark.parse().map_err(|_| invalid())?;
        let known = *epoch == self.epoch.to_string() && seen <= self.head && mark == self.mark(seen);
        if known || self.is(Mutant::SkipEpochTest) {
            Ok(Place { seq, seen, began_at: (began_at > 0).then_some(began_at) })
        } else {
            Err(Problem::new(ErrorCode::EpochChanged, "restored or copied"))
        }
    }

    /// Everything that a batch may need to know; the model loads all.
    fn working(&self) -> Working {
        let mut working = Working::new(self.head);
        // Without the lock the numbers are those of now, and the state is that of before.
        let source = match &self.stale {
            Some((_, records)) if self.is(Mutant::DropLock) => records,
            _ => &self.records,
        };
        for ((kind, _), record) in source {
            working.load(kind, record.clone());
        }
        working
    }

    /// A push. `now` is the service's clock, `mark` the mark of its commit.
    pub fn push(
        &mut self,
        (account, replica): (Uuid, Uuid),
        seen: [Option<&String>; 2],
        ops: &[Op],
        now: Timestamp,
        mark: u64,
    ) -> Result<Answer, Problem> {
        let role = self.member(account)?;
        for cursor in seen.into_iter().flatten() {
            self.place_of(cursor)?;
        }
        let (owner, last) = self.replicas.get(&replica).copied().unwrap_or((account, 0));
        if owner != account {
            return Err(Problem::new(ErrorCode::ReplicaForked, "another account's").with("last_op_no", 0));
        }
        let at = self.check_numbers(last, ops)?;
        self.replicas.insert(replica, (account, at));
        let mut working = self.working();
        let actor = Actor { account, role, replica: Some(replica) };
        let deciding = Deciding { now, actor, refuse_future_times: false };
        let mut results: HashMap<Uuid, OpResult> = HashMap::new();
        let mut seen_ids = HashSet::new();
        let before = self.records.clone();
        for group in ops.chunk_by(|a, b| a.group == b.group) {
            let mut fresh = Vec::new();
            for op in group {
                match self.applied.get(&op.op_id) {
                    Some((hash, result)) if !self.is(Mutant::DropOpIdCheck) => {
                        let same = *hash == op.hash;
                        let replayed = OpResult { replayed: true, ..result.clone() };
                        results.insert(op.op_id, if same { replayed } else { reused(op) });
                    }
                    _ if seen_ids.insert(op.op_id) => fresh.push(op),
                    _ => {}
                }
            }
            let mutated: Vec<Op> = fresh.iter().map(|op| self.mutate(op, &before)).collect();
            let head = working.head();
            let answers = working.apply_group(&mutated.iter().collect::<Vec<_>>(), &deciding);
            for (op, result) in fresh.iter().zip(answers) {
                let after = working.get(&op.kind, op.record_id).cloned();
                let decided =
                    Decided { op: (*op).clone(), replica, result: result.clone(), before: head, after };
                self.decided.push(decided);
                self.applied.insert(op.op_id, (op.hash, result.clone()));
                results.insert(op.op_id, result);
            }
        }
        let lost = self.is(Mutant::AckBeforeCommit) && mark.is_multiple_of(8);
        if !lost {
            self.commit(&working, mark);
        }
        self.stale = Some((self.head, before));
        let results = ops.iter().filter_map(|op| results.get(&op.op_id).cloned()).collect();
        Ok(Answer { epoch: self.epoch, head_seq: self.head, results, ack: self.ack() })
    }

    fn commit(&mut self, working: &Working, mark: u64) {
        let late = std::mem::take(&mut self.late);
        for kind in KINDS {
            for record in working.changed(kind.name) {
                let key = (kind.name, record.id);
                if self.is(Mutant::LateCommit) && late.is_empty() && mark.is_multiple_of(3) {
                    self.late.push((key, record.clone()));
                } else {
                    self.records.insert(key, record.clone());
                }
            }
        }
        for (key, record) in late {
            let newer = self.records.get(&key).is_some_and(|now| now.version > record.version);
            if !newer {
                self.records.insert(key, record);
            }
        }
        if working.head() > self.head {
            self.head = working.head();
            self.marks.insert(self.head, mark | 1);
        }
        if self.is(Mutant::ExpireTombstones) {
            let oldest = self.head - 10;
            self.records.retain(|_, record| !record.deleted || record.version > oldest);
        }
    }

    /// The op as a server with this mutation would read it.
    fn mutate(&self, op: &Op, records: &BTreeMap<Key, Stored>) -> Op {
        let mut op = op.clone();
        let stored = kinds::kind(&op.kind).and_then(|kind| records.get(&(kind.name, op.record_id)));
        match self.mutant {
            // The whole record of its author's device goes over what stands.
            Some(Mutant::WholeRecord) => op.base_seq = i64::MAX >> 11,
            Some(Mutant::LastWriterWins) => {
                let written = stored.and_then(|record| record.units.values().map(|unit| unit.seq).max());
                let author =
                    self.decided.iter().rev().find(|one| {
                        one.op.record_id == op.record_id && one.result.status != OpStatus::Rejected
                    });
                let later = author.is_none_or(|one| one.op.done_at <= op.done_at);
                if written.is_some() && later {
                    op.base_seq = i64::MAX >> 11;
                }
            }
            _ => {}
        }
        op
    }

    fn check_numbers(&self, last: i64, ops: &[Op]) -> Result<i64, Problem> {
        let mut at = last;
        for op in ops {
            let op_no = op.op_no.unwrap_or(0);
            if self.applied.contains_key(&op.op_id) {
                at = at.max(if op_no == at + 1 { op_no } else { at });
            } else if op_no <= at {
                return Err(Problem::new(ErrorCode::ReplicaForked, "used").with("last_op_no", last));
            } else if op_no > at + 1 {
                return Err(Problem::new(ErrorCode::OpGap, "missing").with("last_op_no", last));
            } else {
                at = op_no;
            }
        }
        Ok(at)
    }

    /// A page.
    pub fn pull(
        &self,
        account: Uuid,
        cursor: Option<&String>,
        ack: Option<&String>,
        limit: usize,
    ) -> Result<Page, Problem> {
        self.member(account)?;
        if let Some(ack) = ack {
            self.place_of(ack)?;
        }
        let place = cursor.map_or(Ok(Place::start(self.head)), |cursor| self.place_of(cursor))?;
        if cursor.is_some() && place.has_expired(self.floor) && !self.is(Mutant::SkipFloor) {
            return Err(Problem::new(ErrorCode::CursorExpired, "too old"));
        }
        // What was deleted up to the floor is not told any more, to anybody.
        let told =
            |record: &Stored| !record.deleted || record.version > place.deletions_after().max(self.floor);
        let records = match &self.stale {
            Some((_, before)) if self.is(Mutant::HeadAfterRows) => before,
            _ => &self.records,
        };
        let mut rows: Vec<(&Key, &Stored)> =
            records.iter().filter(|(_, record)| record.version > place.seq && told(record)).collect();
        rows.sort_by_key(|(_, record)| record.version);
        let has_more = rows.len() > limit;
        rows.truncate(limit);
        let last = rows.last().map_or(place.seq, |(_, record)| record.version);
        let next = if has_more { last } else { self.head };
        let rows = rows
            .into_iter()
            .map(|(key, record)| Row {
                key: *key,
                seq: record.version,
                deleted: record.deleted,
                record: (!record.deleted).then(|| record.to_wire()),
            })
            .collect();
        let next_cursor = self.cursor(place.moved_to(next, self.head));
        Ok(Page { epoch: self.epoch, rows, next_cursor, has_more, head_seq: self.head })
    }

    /// By kind: how many records are not deleted, and the wrapping sum of their row hashes.
    pub fn digest(&self) -> BTreeMap<&'static str, (usize, i64)> {
        let mut digest: BTreeMap<&'static str, (usize, i64)> = BTreeMap::new();
        for ((kind, _), record) in self.records.iter().filter(|(_, record)| !record.deleted) {
            let (count, sum) = digest.entry(kind).or_default();
            *count += 1;
            *sum = sum.wrapping_add(row_hash(kind, record));
        }
        digest
    }
}

fn reused(op: &Op) -> OpResult {
    OpResult {
        op_id: op.op_id,
        status: OpStatus::Rejected,
        seq: None,
        replayed: false,
        problem: Some(Problem::new(ErrorCode::OpIdReused, "other content")),
        conflict_ids: Vec::new(),
    }
}
