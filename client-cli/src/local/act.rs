//! What a person does: decided, written to the outbox and shown, in one transaction.

use std::collections::HashMap;

use domain::kinds::{self, Kind};
use domain::sync::canonical;
use domain::sync::client::{Event, Limits, Luck, NewOp, Patience, Replica, Write, too_large};
use domain::sync::op::{Action, Actor, Deciding, Op, OpResult, OpStatus};
use domain::sync::working::Working;
use domain::time::Timestamp;
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::shape::Object;
use domain::wire::sync::{MAX_OPS, MAX_PUSH_BYTES, MAX_RECORD_BYTES};
use rusqlite::Connection;
use uuid::Uuid;

use super::{OutboxOp, Store, drain, kitrooms, outbox, records};
use crate::error::{Error, Result};

/// A change that is wanted.
#[derive(Debug, Clone)]
pub struct Draft {
    /// The kind of record.
    pub kind: &'static Kind,
    /// The record.
    pub record_id: Uuid,
    /// What to do.
    pub action: Action,
    /// The content.
    pub payload: Object,
}

impl Draft {
    /// Makes a record: `create` or `append`, as its kind has it.
    ///
    /// # Errors
    /// When the body is no JSON object.
    pub fn make(kind: &'static Kind, record_id: Uuid, body: &impl serde::Serialize) -> Result<Self> {
        let serde_json::Value::Object(payload) = serde_json::to_value(body)? else {
            return Err(Error::internal("a record's body must be an object"));
        };
        let action = if kind.is_fact() { Action::Append } else { Action::Create };
        Ok(Self { kind, record_id, action, payload })
    }

    /// Voids a fact.
    #[must_use]
    pub fn void(kind: &'static Kind, record_id: Uuid, reason: &str) -> Self {
        let payload = Object::from_iter([("reason".to_owned(), reason.into())]);
        Self { kind, record_id, action: Action::Void, payload }
    }
}

/// The op of a row of the outbox or of a draft, as the pure code decides it.
pub(super) fn op(id: Uuid, group: &str, draft: (&str, Uuid, Action, &Object), base_seq: i64) -> Result<Op> {
    let (kind, record_id, action, payload) = draft;
    let value = serde_json::Value::Object(payload.clone());
    Ok(Op {
        op_id: id,
        op_no: None,
        group: group.to_owned(),
        kind: kind.to_owned(),
        record_id,
        action,
        base_seq,
        payload: payload.clone(),
        hash: canonical::op_hash(kind, &record_id.to_string(), action, Some(&value))?,
        if_version: None,
        done_at: None,
    })
}

/// Lays into the batch what deciding this op looks at.
pub(super) fn load_for(conn: &Connection, kitroom: Uuid, working: &mut Working, op: &Op) -> Result<()> {
    let Some(kind) = kinds::kind(&op.kind) else { return Ok(()) };
    records::load(conn, kitroom, working, kind, op.record_id)?;
    for (target, id) in records::references(kind, &op.payload) {
        records::load(conn, kitroom, working, target, id)?;
    }
    if op.action == Action::Delete {
        records::load_referrers(conn, kitroom, working, kind, op.record_id)?;
    }
    // A decision about a conflict changes what the conflict names, and looks at what belongs to that.
    if op.action == Action::Settle
        && let (Some(names), Some(conflict)) =
            (kind.hooks.names, records::of_view(conn, kitroom, kind, op.record_id)?)
    {
        for (name, id) in names(&conflict.body) {
            let Some(named) = kinds::kind(name) else { continue };
            records::load(conn, kitroom, working, named, id)?;
            records::load_referrers(conn, kitroom, working, named, id)?;
        }
    }
    load_companions(conn, kitroom, working, kind, op)
}

/// Lays in the records that are decided about together with this one: what else replaces the same fact, what seals the
/// same loadout.
fn load_companions(
    conn: &Connection,
    kitroom: Uuid,
    working: &mut Working,
    kind: &'static Kind,
    op: &Op,
) -> Result<()> {
    let stored = records::of_view(conn, kitroom, kind, op.record_id)?.map(|record| record.body);
    let bodies = std::iter::once(&op.payload).chain(&stored);
    let wanted: Vec<_> = bodies.flat_map(|body| kind.companions(body).collect::<Vec<_>>()).collect();
    for (companion, id) in wanted {
        let Some(from) = kinds::kind(companion.kind) else { continue };
        let reference = from.refs.iter().find(|reference| reference.field == companion.field);
        let Some(reference) = reference else { continue };
        for (other, source, by) in records::referrers(conn, kitroom, reference.kind, id)? {
            if other == from.name && by == companion.field {
                records::load(conn, kitroom, working, from, source)?;
            }
        }
    }
    Ok(())
}

impl Store {
    /// Does one thing: all drafts together or none. Answers the result of each; a draft that changes nothing leaves
    /// no op behind.
    ///
    /// # Errors
    /// Refused with the reasons of the first draft that is not valid; then nothing is stored.
    pub fn act(&mut self, kitroom: Uuid, drafts: &[Draft]) -> Result<Vec<OpResult>> {
        self.act_having_seen(kitroom, drafts, None)
    }

    /// The same for a person who has seen the kitroom's changes up to `seen` only, where the device has more: what was
    /// written since is contradicted, not replaced.
    ///
    /// # Errors
    /// As [`Self::act`].
    pub fn act_having_seen(
        &mut self,
        kitroom: Uuid,
        drafts: &[Draft],
        seen: Option<i64>,
    ) -> Result<Vec<OpResult>> {
        if drafts.len() > MAX_OPS {
            return Err(Error::refused(format!("one step changes at most {MAX_OPS} records"))
                .because(format!("this one would change {}", drafts.len())));
        }
        let (account, replica) = (self.account_id()?, self.replica_id()?);
        let now = self.env.now();
        let ids: Vec<Uuid> = drafts.iter().map(|_| self.new_id()).collect();
        let tx = self.begin()?;
        let room = kitrooms::find(&tx, kitroom)?;
        let actor = Actor { account, role: room.role, replica: Some(replica) };
        let deciding = Deciding { now, actor, refuse_future_times: true };
        let base = seen.map_or(room.base_seq, |seen| seen.min(room.base_seq));
        let (ops, working, results) = decide(&tx, &room, base, drafts, &ids, &deciding)?;
        let made = ops.iter().zip(&results).filter(|(_, result)| result.status != OpStatus::Noop);
        enqueue(&tx, kitroom, replica, made.map(|(op, _)| op), now)?;
        let dirty = records::save_changed(&tx, kitroom, &working)?;
        records::mark_dirty(&tx, kitroom, dirty)?;
        drain::drain(&tx, kitroom)?;
        tx.commit()?;
        Ok(results)
    }

    /// Does many things that stand each for itself, in one transaction: all of them, or none when one is refused. Answers
    /// which were refused, by their place, and why. They are sent in groups of some of them.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn act_on_each(&mut self, kitroom: Uuid, drafts: &[Draft]) -> Result<Vec<(usize, Problem)>> {
        self.on_each(kitroom, drafts, true)
    }

    /// What [`Self::act_on_each`] would refuse. Nothing is stored.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn refusals(&mut self, kitroom: Uuid, drafts: &[Draft]) -> Result<Vec<(usize, Problem)>> {
        self.on_each(kitroom, drafts, false)
    }

    fn on_each(&mut self, kitroom: Uuid, drafts: &[Draft], keep: bool) -> Result<Vec<(usize, Problem)>> {
        let (account, replica) = (self.account_id()?, self.replica_id()?);
        let now = self.env.now();
        let ids: Vec<Uuid> = drafts.iter().map(|_| self.new_id()).collect();
        let tx = self.begin()?;
        let room = kitrooms::find(&tx, kitroom)?;
        let actor = Actor { account, role: room.role, replica: Some(replica) };
        // What was in the replica or its export once may well have a time that lies ahead; it is marked, not refused.
        let deciding = Deciding { now, actor, refuse_future_times: false };
        let mut working = Working::new(room.base_seq);
        let (mut taken, mut refused) = (Vec::new(), Vec::new());
        let mut group = Group::default();
        for (at, (draft, id)) in drafts.iter().zip(&ids).enumerate() {
            let name = group.next(*id, serde_json::to_vec(&draft.payload)?.len());
            let op = op(
                *id,
                &name,
                (draft.kind.name, draft.record_id, draft.action, &draft.payload),
                room.base_seq,
            )?;
            load_for(&tx, kitroom, &mut working, &op)?;
            match working.apply_group(&[&op], &deciding).pop() {
                Some(OpResult { problem: Some(problem), .. }) => refused.push((at, problem)),
                Some(result) if result.status == OpStatus::Noop => {}
                _ => taken.push(op),
            }
        }
        if !refused.is_empty() || !keep {
            return Ok(refused);
        }
        for group in taken.chunk_by(|a, b| a.group == b.group) {
            enqueue(&tx, kitroom, replica, group.iter(), now)?;
        }
        let dirty = records::save_changed(&tx, kitroom, &working)?;
        records::mark_dirty(&tx, kitroom, dirty)?;
        drain::drain(&tx, kitroom)?;
        tx.commit()?;
        Ok(refused)
    }

    /// Why these drafts would be refused; none when they would be taken. Nothing is stored.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn refusal(&mut self, kitroom: Uuid, drafts: &[Draft]) -> Result<Option<Error>> {
        let (account, replica) = (self.account_id()?, self.replica_id()?);
        let now = self.env.now();
        let ids: Vec<Uuid> = drafts.iter().map(|_| self.new_id()).collect();
        // Never committed.
        let tx = self.begin()?;
        let room = kitrooms::find(&tx, kitroom)?;
        let actor = Actor { account, role: room.role, replica: Some(replica) };
        let deciding = Deciding { now, actor, refuse_future_times: true };
        match decide(&tx, &room, room.base_seq, drafts, &ids, &deciding) {
            Ok(_) => Ok(None),
            Err(error) if error.problem.is_some() => Ok(Some(error)),
            Err(error) => Err(error),
        }
    }
}

/// Parts many ops into groups that fit well into one push.
#[derive(Debug, Default)]
struct Group {
    name: String,
    ops: usize,
    bytes: usize,
}

impl Group {
    const OPS: usize = MAX_OPS / 5;
    const BYTES: usize = MAX_PUSH_BYTES / 4;

    /// The group of the next op.
    fn next(&mut self, id: Uuid, bytes: usize) -> String {
        if self.ops == 0 || self.ops == Self::OPS || self.bytes + bytes > Self::BYTES {
            *self = Self { name: id.to_string(), ops: 0, bytes: 0 };
        }
        self.ops += 1;
        self.bytes += bytes;
        self.name.clone()
    }
}

/// Puts ops into the outbox, under the numbers that the sync machine gives them.
fn enqueue<'a>(
    conn: &Connection,
    kitroom: Uuid,
    replica: Uuid,
    ops: impl Iterator<Item = &'a Op>,
    now: Timestamp,
) -> Result<()> {
    let mut by_id: HashMap<Uuid, OutboxOp> = HashMap::new();
    let mut new = Vec::new();
    for op in ops {
        let op = OutboxOp::new(op, now);
        let (op_id, record_id, group) = (op.op_id, op.record_id, op.group.clone());
        new.push(NewOp { op_id, group, record_id, seen: Some(op.base_seq), bytes: op.bytes()? });
        by_id.insert(op_id, op);
    }
    let bytes = new.iter().map(|op| op.bytes).sum();
    if let Some(problem) = too_large(new.len(), bytes, Limits::default()) {
        return Err(Error::of_problem("nothing was saved", problem).hint("do it in smaller steps"));
    }
    let sizes: HashMap<Uuid, usize> = new.iter().map(|op| (op.op_id, op.bytes)).collect();
    let kept = kitrooms::kept(conn, kitroom)?;
    let mut machine = Replica::restore(replica, [(kitroom, kept, Vec::new())], Patience::SHORT);
    // A change needs neither chance nor a new id.
    let luck = Luck { roll: 0, id: Uuid::nil() };
    for write in machine.step(Event::Changed { kitroom, ops: new }, luck).writes {
        match write {
            Write::Enqueue { op_id, op_no, base_seq, .. } => {
                if let Some(op) = by_id.remove(&op_id) {
                    let bytes = sizes.get(&op_id).copied().unwrap_or_default();
                    outbox::insert(conn, kitroom, &OutboxOp { op_no, base_seq, ..op }, bytes)?;
                }
            }
            Write::Room(kitroom, kept) => kitrooms::keep(conn, kitroom, &kept)?,
            _ => {}
        }
    }
    Ok(())
}

/// Decides drafts, whose author has seen the changes up to `base`, against what the store holds.
fn decide(
    conn: &Connection,
    room: &kitrooms::Kitroom,
    base: i64,
    drafts: &[Draft],
    ids: &[Uuid],
    deciding: &Deciding,
) -> Result<(Vec<Op>, Working, Vec<OpResult>)> {
    let group = ids.first().map(Uuid::to_string).unwrap_or_default();
    let ops = drafts
        .iter()
        .zip(ids)
        .map(|(d, id)| op(*id, &group, (d.kind.name, d.record_id, d.action, &d.payload), base))
        .collect::<Result<Vec<Op>>>()?;
    let mut working = Working::foreseeing(room.base_seq);
    for op in &ops {
        load_for(conn, room.id, &mut working, op)?;
    }
    let results = working.apply_group(&ops.iter().collect::<Vec<_>>(), deciding);
    refuse_rejected(drafts, &results)?;
    refuse_large(&working)?;
    Ok((ops, working, results))
}

fn refuse_rejected(drafts: &[Draft], results: &[OpResult]) -> Result<()> {
    let failed = drafts.iter().zip(results).find_map(|(draft, result)| {
        let problem = result.problem.clone()?;
        (problem.code() != Some(ErrorCode::GroupMemberRejected)).then_some((draft, problem))
    });
    match failed {
        Some((draft, problem)) => {
            let what = format!("the {} was not saved", draft.kind.name.replace('_', " "));
            Err(Error::of_problem(what, problem))
        }
        None => Ok(()),
    }
}

fn refuse_large(working: &Working) -> Result<()> {
    for kind in kinds::KINDS {
        for record in working.changed(kind.name) {
            let bytes = canonical::to_vec(&serde_json::Value::Object(record.body.clone()))?.len();
            if bytes > MAX_RECORD_BYTES {
                let words = format!("it has {bytes} bytes; a record has at most {MAX_RECORD_BYTES}");
                let problem = Problem::new(ErrorCode::PayloadTooLarge, words);
                return Err(Error::of_problem(format!("the {} was not saved", kind.name), problem));
            }
        }
    }
    Ok(())
}
