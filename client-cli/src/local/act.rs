//! What a person does: decided, written to the outbox and shown, in one transaction.

use domain::kinds::{self, Kind};
use domain::sync::canonical;
use domain::sync::op::{Action, Actor, Deciding, Op, OpResult, OpStatus};
use domain::sync::working::Working;
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::shape::Object;
use domain::wire::sync::{MAX_OPS, MAX_RECORD_BYTES};
use rusqlite::{Connection, params};
use uuid::Uuid;

use super::{Store, drain, kitrooms, records};
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
        hash: canonical::op_hash(kind, &record_id.to_string(), action, base_seq, Some(&value))?,
        if_version: None,
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
    Ok(())
}

impl Store {
    /// Does one thing: all drafts together or none. Answers the result of each; a draft that changes nothing leaves
    /// no op behind.
    ///
    /// # Errors
    /// Refused with the reasons of the first draft that is not valid; then nothing is stored.
    pub fn act(&mut self, kitroom: Uuid, drafts: &[Draft]) -> Result<Vec<OpResult>> {
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
        let (ops, working, results) = decide(&tx, &room, drafts, &ids, &deciding)?;
        let mut op_no = room.last_op_no;
        for (op, _) in ops.iter().zip(&results).filter(|(_, result)| result.status != OpStatus::Noop) {
            op_no += 1;
            tx.prepare_cached(
                "INSERT INTO outbox (kitroom, op_no, op_id, grp, kind, record_id, action, base_seq, payload, done_at,
                 state) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 'pending')",
            )?
            .execute(params![
                kitroom,
                op_no,
                op.op_id,
                op.group,
                op.kind,
                op.record_id,
                op.action.name(),
                op.base_seq,
                serde_json::to_string(&op.payload)?,
                now.millis()
            ])?;
        }
        tx.execute("UPDATE kitrooms SET last_op_no = ?2 WHERE id = ?1", params![kitroom, op_no])?;
        let dirty = records::save_changed(&tx, kitroom, &working)?;
        records::mark_dirty(&tx, kitroom, dirty)?;
        drain::drain(&tx, kitroom)?;
        tx.commit()?;
        Ok(results)
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
        match decide(&tx, &room, drafts, &ids, &deciding) {
            Ok(_) => Ok(None),
            Err(error) if error.problem.is_some() => Ok(Some(error)),
            Err(error) => Err(error),
        }
    }
}

/// Decides drafts against what the store holds.
fn decide(
    conn: &Connection,
    room: &kitrooms::Kitroom,
    drafts: &[Draft],
    ids: &[Uuid],
    deciding: &Deciding,
) -> Result<(Vec<Op>, Working, Vec<OpResult>)> {
    let group = ids.first().map(Uuid::to_string).unwrap_or_default();
    let ops = drafts
        .iter()
        .zip(ids)
        .map(|(d, id)| op(*id, &group, (d.kind.name, d.record_id, d.action, &d.payload), room.base_seq))
        .collect::<Result<Vec<Op>>>()?;
    let mut working = Working::new(room.base_seq);
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
