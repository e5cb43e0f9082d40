//! What a restored service may have lost: listed, and brought back or left as a person decides.

use domain::kinds;
use domain::sync::client::recovery::{self, Loss, Row, Seen};
use domain::sync::op::Action;
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::shape::Object;
use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use super::replace::Lost;
use super::{Draft, OutboxOp, State, Store, records};
use crate::error::{Error, Kind, Result};

fn loss(name: &str) -> Loss {
    let all = [Loss::Gone, Loss::Differs, Loss::Undeleted, Loss::Deleted];
    all.into_iter().find(|loss| loss.name() == name).unwrap_or(Loss::Gone)
}

/// Takes off the list what the service has again, because another device or person has brought it back.
pub(super) fn drop_what_is_back(conn: &Connection, kitroom: Uuid) -> Result<()> {
    let mut statement = conn.prepare_cached(
        "SELECT recovery.no, recovery.deleted, recovery.record, base.deleted, base.record, recovery.loss
         FROM recovery JOIN base USING (kitroom, kind, id) WHERE kitroom = ?1 AND decided IS NULL",
    )?;
    let mut rows = statement.query([kitroom])?;
    let mut back: Vec<i64> = Vec::new();
    while let Some(row) = rows.next()? {
        let record = |at: usize| -> rusqlite::Result<Option<Object>> {
            let text: Option<String> = row.get(at)?;
            Ok(text.and_then(|text| serde_json::from_str(&text).ok()))
        };
        let (before, now) = (record(2)?, record(4)?);
        let before = Row { seq: 0, deleted: row.get(1)?, record: before.as_ref() };
        let now = Row { seq: 0, deleted: row.get(3)?, record: now.as_ref() };
        if recovery::is_back(loss(&row.get::<_, String>(5)?), before, now) {
            back.push(row.get(0)?);
        }
    }
    back.into_iter().try_for_each(|no| decide(conn, kitroom, no, "back"))
}

fn decide(conn: &Connection, kitroom: Uuid, no: i64, how: &str) -> Result<()> {
    conn.execute(
        "UPDATE recovery SET decided = ?3 WHERE kitroom = ?1 AND no = ?2",
        params![kitroom, no, how],
    )?;
    Ok(())
}

impl Store {
    /// What waits for a person's decision, oldest change first.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn lost(&self, kitroom: Uuid) -> Result<Vec<Lost>> {
        let mut statement = self.conn.prepare_cached(
            "SELECT no, kind, id, loss, deleted, record, common FROM recovery WHERE kitroom = ?1 AND decided IS NULL ORDER BY no",
        )?;
        let rows = statement.query_map([kitroom], |row| {
            let (name, text): (String, Option<String>) = (row.get(3)?, row.get(5)?);
            Ok(Lost {
                no: row.get(0)?,
                kind: row.get(1)?,
                id: row.get(2)?,
                loss: loss(&name),
                deleted: row.get(4)?,
                record: text.and_then(|text| serde_json::from_str(&text).ok()),
                common: row.get(6)?,
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
    }

    /// What this device last held of a record that may be lost.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn lost_record(&self, kitroom: Uuid, kind: &str, id: Uuid) -> Result<Option<Object>> {
        let mut statement = self.conn.prepare_cached(
            "SELECT record FROM recovery WHERE kitroom = ?1 AND kind = ?2 AND id = ?3 ORDER BY no DESC",
        )?;
        let text: Option<Option<String>> =
            statement.query_row(params![kitroom, kind, id], |row| row.get(0)).optional()?;
        Ok(text.flatten().and_then(|text| serde_json::from_str(&text).ok()))
    }

    /// How many wait.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn lost_count(&self, kitroom: Uuid) -> Result<i64> {
        let mut statement = self
            .conn
            .prepare_cached("SELECT count(*) FROM recovery WHERE kitroom = ?1 AND decided IS NULL")?;
        Ok(statement.query_row([kitroom], |row| row.get(0))?)
    }

    /// The changes that would make a record what it was before, given what it is now and what the person has seen of
    /// that. None when there is nothing to do.
    ///
    /// # Errors
    /// Refused for a kind that this version does not know.
    pub fn recovery_of(&self, kitroom: Uuid, lost: &Lost, seen: Seen) -> Result<Vec<Draft>> {
        let kind = kinds::kind(&lost.kind).ok_or_else(|| {
            Error::refused(format!("a {} cannot be sent again", lost.kind.replace('_', " ")))
                .because("this version of tare does not know that kind of record")
                .hint("update tare; it is kept until then")
        })?;
        let now = records::of_view(&self.conn, kitroom, kind, lost.id)?;
        let wire: Option<Object> = now.as_ref().map(domain::sync::record::Stored::to_wire);
        let before = Row { seq: 0, deleted: lost.deleted, record: lost.record.as_ref() };
        let now =
            now.as_ref().map(|now| Row { seq: now.version, deleted: now.deleted, record: wire.as_ref() });
        let ops = recovery::ops(kind, before, now, seen);
        Ok(ops
            .into_iter()
            .map(|(action, payload)| Draft { kind, record_id: lost.id, action, payload })
            .collect())
    }

    /// Brings a record back as a change of this device's own: it goes to the service at the next sync.
    ///
    /// # Errors
    /// Refused when the record cannot be made what it was; it keeps waiting then.
    pub fn send_lost(&mut self, kitroom: Uuid, lost: &Lost, seen: Seen) -> Result<()> {
        let drafts = self.recovery_of(kitroom, lost, seen)?;
        if !drafts.is_empty() {
            let up_to = match seen {
                Seen::Both => None,
                Seen::UpTo(common) => Some(common),
            };
            self.act_having_seen(kitroom, &drafts, up_to)?;
        }
        decide(&self.conn, kitroom, lost.no, "sent")
    }

    /// Leaves a record as the service has it.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn leave_lost(&self, kitroom: Uuid, no: i64) -> Result<()> {
        decide(&self.conn, kitroom, no, "left")
    }

    /// Does again what the service refused only because something was not there, now that it is: what was done with a
    /// record that a restored service had lost, and has got back. Steps stay whole. Answers how many changes it was.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn take_up_refused(&mut self, kitroom: Uuid) -> Result<i64> {
        let refused = self.outbox(kitroom, &[State::Rejected])?;
        let mut taken = 0;
        for step in refused.chunk_by(|a, b| a.group == b.group) {
            if !step.iter().any(|op| op.problem.as_ref().is_some_and(is_of_something_missing)) {
                continue;
            }
            let Some(drafts) = self.drafts_of(kitroom, step)? else { continue };
            let seen = step.iter().map(|op| op.base_seq).min();
            match self.act_having_seen(kitroom, &drafts, seen) {
                Ok(_) => {}
                // It no longer fits: it goes on waiting for a person.
                Err(error) if error.kind == Kind::Refused => continue,
                Err(error) => return Err(error),
            }
            for op in step {
                taken += i64::from(self.put_aside(kitroom, op.op_id)?);
            }
        }
        Ok(taken)
    }

    /// A refused step as it would be done anew; none while something that it names is not there.
    fn drafts_of(&self, kitroom: Uuid, step: &[OutboxOp]) -> Result<Option<Vec<Draft>>> {
        let made = |id: Uuid| {
            let makes = |op: &&OutboxOp| matches!(op.action, Action::Create | Action::Append);
            step.iter().filter(makes).any(|op| op.record_id == id)
        };
        let mut drafts = Vec::with_capacity(step.len());
        for op in step {
            let Some(kind) = kinds::kind(&op.kind) else { return Ok(None) };
            for (target, id) in
                records::references(kind, &op.payload).into_iter().chain([(kind, op.record_id)])
            {
                if !made(id) && records::of_view(&self.conn, kitroom, target, id)?.is_none() {
                    return Ok(None);
                }
            }
            let payload = op.payload.clone();
            drafts.push(Draft { kind, record_id: op.record_id, action: op.action, payload });
        }
        Ok(Some(drafts))
    }
}

/// Whether a change was refused because a record was not there.
fn is_of_something_missing(problem: &Problem) -> bool {
    problem.code() == Some(ErrorCode::NotFound)
        || problem.errors.iter().any(|error| error.code == "no-such-record")
}
