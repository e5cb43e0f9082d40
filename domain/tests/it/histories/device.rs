//! A device: durable storage, and the state machine under test over it.

use std::collections::BTreeMap;

use domain::kinds;
use domain::sync::canonical::row_hash;
use domain::sync::client::recovery;
use domain::sync::client::{
    Effect, End, Entry, Event, Kept, Layer, Luck, NewOp, Patience, Replica, Stage, Step, Write,
};
use domain::sync::op::{Actor, Deciding, Op, OpResult, Role};
use domain::sync::record::Stored;
use domain::sync::working::Working;
use domain::time::Timestamp;
use domain::wire::problem::Problem;
use domain::wire::shape::Object;
use uuid::Uuid;

use super::chance::Chance;
use super::mutants::Mutant;
use super::server::{Answer, Key, Page, Row};

/// An op of the outbox as it is stored.
#[derive(Debug, Clone)]
pub struct Kept1 {
    pub op: Op,
    pub stage: Stage,
}

/// What a restored service no longer has, waiting for a person.
#[derive(Debug, Clone)]
pub struct Candidate {
    pub key: Key,
}

/// What survives a crash.
#[derive(Debug, Clone, Default)]
pub struct Disk {
    pub replica: Uuid,
    pub kept: Option<Kept>,
    pub outbox: Vec<Kept1>,
    pub base: BTreeMap<Key, Row>,
    incoming: BTreeMap<Key, Row>,
    pub candidates: Vec<Candidate>,
    pub rejected: Vec<(Op, Option<Problem>)>,
    pub exported: Vec<Op>,
}

/// A device.
#[derive(Debug, Clone)]
pub struct Device {
    pub account: Uuid,
    kitroom: Uuid,
    pub disk: Disk,
    pub machine: Replica,
    /// Effects to be carried out.
    pub todo: Vec<Effect>,
    /// The run of its process: an answer to another run finds nobody.
    pub run: u64,
    /// The page just pulled, until the machine says where it goes.
    held: Option<Page>,
    /// Answers to its ops, as it heard them.
    pub heard: Vec<OpResult>,
    pub ends: Vec<End>,
    mutant: Option<Mutant>,
}

impl Device {
    pub fn new(account: Uuid, kitroom: Uuid, replica: Uuid, mutant: Option<Mutant>) -> Self {
        let disk = Disk { replica, ..Disk::default() };
        Self {
            account,
            kitroom,
            machine: restore(kitroom, &disk),
            disk,
            todo: Vec::new(),
            run: 0,
            held: None,
            heard: Vec::new(),
            ends: Vec::new(),
            mutant,
        }
    }

    /// The process dies and starts again.
    pub fn crash(&mut self) {
        self.run += 1;
        self.todo.clear();
        self.held = None;
        self.machine = restore(self.kitroom, &self.disk);
    }

    /// The change that it has seen.
    pub fn reached(&self) -> i64 {
        self.disk.kept.as_ref().map_or(0, |kept| kept.base_seq)
    }

    pub fn is_whole(&self) -> bool {
        self.disk.kept.as_ref().is_some_and(|kept| kept.replace.is_none() && kept.cursor.is_some())
    }

    pub fn has_unsent(&self) -> bool {
        self.machine.outbox(self.kitroom).iter().any(Entry::is_unsent)
    }

    pub fn is_idle(&self) -> bool {
        self.todo.is_empty() && self.machine.is_idle(self.kitroom)
    }

    /// Takes an event: stores what the machine wants stored, all or nothing, then notes what is to be done. `dies` cuts
    /// the process off: 1 before the writes, 2 after them.
    pub fn take(&mut self, event: Event, chance: &mut Chance, dies: usize) {
        let luck = Luck { roll: chance.roll(), id: chance.id() };
        let Step { writes, effects } = self.machine.step(event, luck);
        if dies == 1 {
            return self.crash();
        }
        let torn = dies == 2 && self.mutant == Some(Mutant::CursorBeforeRows);
        for write in writes {
            if torn && matches!(write, Write::Page { .. }) {
                continue;
            }
            self.write(write);
        }
        if dies == 2 {
            return self.crash();
        }
        self.held = None;
        for effect in effects {
            match effect {
                Effect::Ended { end, .. } => self.ends.push(end),
                other => self.todo.push(other),
            }
        }
    }

    /// A person's change: its ops enter the outbox in the same step.
    pub fn change(&mut self, ops: Vec<Op>, chance: &mut Chance) {
        let fresh = ops
            .iter()
            .map(|op| NewOp {
                op_id: op.op_id,
                group: op.group.clone(),
                record_id: op.record_id,
                seen: None,
                bytes: 300,
            })
            .collect();
        let event = Event::Changed { kitroom: self.kitroom, ops: fresh };
        let luck = Luck { roll: chance.roll(), id: chance.id() };
        let step = self.machine.step(event, luck);
        let mut ops: BTreeMap<Uuid, Op> = ops.into_iter().map(|op| (op.op_id, op)).collect();
        for write in step.writes {
            if let Write::Enqueue { op_id, op_no, base_seq, .. } = write {
                if let Some(mut op) = ops.remove(&op_id) {
                    op.op_no = Some(op_no);
                    op.base_seq = base_seq;
                    hash(&mut op);
                    self.disk.outbox.push(Kept1 { op, stage: Stage::Pending });
                }
            } else {
                self.write(write);
            }
        }
    }

    fn stage(&mut self, ids: &[Uuid], stage: Stage) {
        for kept in self.disk.outbox.iter_mut().filter(|kept| ids.contains(&kept.op.op_id)) {
            kept.stage = stage;
        }
    }

    fn write(&mut self, write: Write) {
        match write {
            Write::Room(_, kept) => self.disk.kept = Some(kept),
            Write::Enqueue { .. } | Write::Move { .. } => {}
            Write::Sent { ops, .. } => self.stage(&ops, Stage::Sent),
            Write::Waiting { ops, .. } => self.stage(&ops, Stage::Pending),
            Write::Acked { op_id, version, at, .. } => self.stage(&[op_id], Stage::Acked { version, at }),
            Write::Rejected { op_id, problem, .. } => {
                if let Some(at) = self.disk.outbox.iter().position(|kept| kept.op.op_id == op_id) {
                    let kept = self.disk.outbox.remove(at);
                    self.disk.rejected.push((kept.op, problem));
                }
            }
            Write::Forget { ops, .. } => self.disk.outbox.retain(|kept| !ops.contains(&kept.op.op_id)),
            Write::Numbers { numbers, .. } => {
                for (id, op_no) in numbers {
                    for kept in self.disk.outbox.iter_mut().filter(|kept| kept.op.op_id == id) {
                        kept.op.op_no = Some(op_no);
                    }
                }
            }
            Write::Bases { bases, .. } => {
                for (id, base_seq) in bases {
                    for kept in self.disk.outbox.iter_mut().filter(|kept| kept.op.op_id == id) {
                        kept.op.base_seq = base_seq;
                    }
                }
            }
            Write::Page { into, .. } => {
                let rows = self.held.take().map(|page| page.rows).unwrap_or_default();
                let known = |row: &Row| self.mutant != Some(Mutant::IgnoreKind) || row.key.0 != "log_entry";
                let target = match into {
                    Layer::Base => &mut self.disk.base,
                    Layer::Incoming => &mut self.disk.incoming,
                };
                for row in rows.into_iter().filter(known) {
                    target.insert(row.key, row);
                }
            }
            Write::BeginReplace { .. } => self.disk.incoming.clear(),
            Write::FinishReplace { recover_after, .. } => {
                let incoming = std::mem::take(&mut self.disk.incoming);
                let before = std::mem::replace(&mut self.disk.base, incoming);
                if let Some(common) = recover_after {
                    for (key, row) in before {
                        let now = self.disk.base.get(&key).map(as_row);
                        if recovery::lost(as_row(&row), now, common).is_some() {
                            self.disk.candidates.push(Candidate { key });
                        }
                    }
                }
            }
            Write::Replica(id) => self.disk.replica = id,
            Write::Purge(_) => {
                let replica = self.disk.replica;
                self.disk.exported.extend(self.disk.outbox.drain(..).map(|kept| kept.op));
                let exported = std::mem::take(&mut self.disk.exported);
                let rejected = std::mem::take(&mut self.disk.rejected);
                self.disk = Disk { replica, exported, rejected, ..Disk::default() };
            }
        }
    }

    /// The last change that base and incoming have in common.
    pub fn common(&self) -> i64 {
        let pairs = self.disk.base.iter().filter_map(|(key, row)| {
            let now = self.disk.incoming.get(key)?;
            Some((as_row(row), as_row(now)))
        });
        recovery::common(pairs)
    }

    /// The ops of a push, as they are sent.
    pub fn ops(&self, ids: &[Uuid]) -> Vec<Op> {
        let find = |id: &Uuid| self.disk.outbox.iter().find(|kept| kept.op.op_id == *id);
        ids.iter().filter_map(find).map(|kept| kept.op.clone()).collect()
    }

    /// Hears the answer to a push.
    pub fn hear(&mut self, ticket: u64, answer: Answer, chance: &mut Chance, dies: usize) {
        self.heard.extend(answer.results.iter().cloned());
        let Answer { epoch, head_seq, results, ack } = answer;
        let kitroom = self.kitroom;
        let event = Event::Pushed { kitroom, ticket, epoch, head_seq, results, ack: Some(ack) };
        self.take(event, chance, dies);
    }

    /// Gets a page.
    pub fn get(&mut self, ticket: u64, page: Page, chance: &mut Chance, dies: usize) {
        let head = domain::sync::client::PageHead {
            epoch: page.epoch,
            rows: page.rows.iter().map(|row| (row.key.1, row.seq)).collect(),
            next_cursor: page.next_cursor.clone(),
            has_more: page.has_more,
            head_seq: page.head_seq,
        };
        self.held = Some(page);
        self.take(Event::Pulled { kitroom: self.kitroom, ticket, page: head }, chance, dies);
    }

    /// What a person sees: base with the outbox replayed on top, whoever else has written.
    pub fn view(&self) -> Working {
        let mut working = Working::foreseeing(self.reached());
        for (key, row) in &self.disk.base {
            if let Some(record) = stored(key, row) {
                working.load(key.0, record);
            }
        }
        let now: Timestamp = "2026-03-01T08:00:00Z".parse().unwrap_or_else(|_| unreachable!());
        let actor = Actor { account: self.account, role: Role::Owner, replica: Some(self.disk.replica) };
        let deciding = Deciding { now, actor, refuse_future_times: false };
        for group in self.disk.outbox.chunk_by(|a, b| a.op.group == b.op.group) {
            let ops: Vec<Op> =
                group.iter().map(|kept| Op { base_seq: i64::MAX >> 11, ..kept.op.clone() }).collect();
            working.apply_group(&ops.iter().collect::<Vec<_>>(), &deciding);
        }
        working
    }

    /// By kind: how many records are not deleted, and the wrapping sum of their row hashes.
    pub fn digest(&self) -> BTreeMap<&'static str, (usize, i64)> {
        let mut digest: BTreeMap<&'static str, (usize, i64)> = BTreeMap::new();
        for (key, row) in self.disk.base.iter().filter(|(_, row)| !row.deleted) {
            let (count, sum) = digest.entry(key.0).or_default();
            *count += 1;
            if let Some(record) = stored(key, row) {
                *sum = sum.wrapping_add(row_hash(key.0, &record));
            }
        }
        digest
    }
}

/// A row as recovery compares it.
fn as_row(row: &Row) -> recovery::Row<'_> {
    recovery::Row { seq: row.seq, deleted: row.deleted, record: row.record.as_ref() }
}

/// A row of base as a record.
pub fn stored(key: &Key, row: &Row) -> Option<Stored> {
    let kind = kinds::kind(key.0)?;
    let mut record = match &row.record {
        Some(record) => Stored::from_wire(kind, record)?,
        None => Stored {
            id: key.1,
            version: row.seq,
            units: BTreeMap::new(),
            created_by: Uuid::nil(),
            recorded_at: Timestamp::from_millis(0).ok()?,
            deleted: true,
            voided: None,
            time_suspect: false,
            body: Object::new(),
        },
    };
    record.version = row.seq;
    record.deleted = row.deleted;
    Some(record)
}

/// The machine as it is made anew from the disk.
fn restore(kitroom: Uuid, disk: &Disk) -> Replica {
    let entries = disk.outbox.iter().map(|kept| Entry {
        op_id: kept.op.op_id,
        op_no: kept.op.op_no.unwrap_or(0),
        group: kept.op.group.clone(),
        record_id: kept.op.record_id,
        base_seq: kept.op.base_seq,
        bytes: 300,
        stage: kept.stage,
    });
    let room = disk.kept.clone().map(|kept| (kitroom, kept, entries.collect()));
    Replica::restore(disk.replica, room, Patience { tries: Some(3), ..Patience::SHORT })
}

/// An op's hash, as the service computes it over what it receives.
pub fn hash(op: &mut Op) {
    let content = serde_json::Value::Object(op.payload.clone());
    let id = op.record_id.to_string();
    op.hash = domain::sync::canonical::op_hash(&op.kind, &id, op.action, Some(&content)).unwrap_or_default();
}
