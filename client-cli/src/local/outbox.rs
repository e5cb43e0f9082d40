//! What was done here and has not come back from the service yet.

use domain::sync::op::{Action, Op};
use domain::time::Timestamp;
use domain::wire::problem::Problem;
use domain::wire::shape::Object;
use domain::wire::sync::PushOp;
use rusqlite::{Connection, Row, params};
use uuid::Uuid;

use super::Store;
use super::rebase::Affected;
use crate::error::Result;

/// Where an op is on its way.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum State {
    /// Never sent.
    Pending,
    /// Sent, and no answer has come.
    Sent,
    /// Taken; base does not have it yet.
    Acked,
    /// Refused for good; kept until a person puts it aside.
    Rejected,
    /// Refused, and put aside by a person.
    Aside,
}

impl State {
    /// The name in the store and in JSON.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            State::Pending => "pending",
            State::Sent => "sent",
            State::Acked => "acked",
            State::Rejected => "rejected",
            State::Aside => "aside",
        }
    }

    fn from_name(name: &str) -> Self {
        let all = [State::Sent, State::Acked, State::Rejected, State::Aside];
        all.into_iter().find(|state| state.name() == name).unwrap_or(State::Pending)
    }
}

/// An op of the outbox.
#[derive(Debug, Clone, PartialEq)]
pub struct OutboxOp {
    /// Its number within the kitroom.
    pub op_no: i64,
    /// Its id.
    pub op_id: Uuid,
    /// Its group.
    pub group: String,
    /// The kind of its record.
    pub kind: String,
    /// Its record.
    pub record_id: Uuid,
    /// What it does.
    pub action: Action,
    /// The last change that its author had seen.
    pub base_seq: i64,
    /// Its content.
    pub payload: Object,
    /// When it was done.
    pub done_at: Timestamp,
    /// Where it is on its way.
    pub state: State,
    /// The change that it became.
    pub seq: Option<i64>,
    /// Why it was refused.
    pub problem: Option<Problem>,
    /// Whether it still fits what the service has.
    pub applies: bool,
}

/// How many ops are where.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct OutboxCounts {
    /// Not sent, or sent without an answer.
    pub pending: i64,
    /// Taken; base does not have them yet.
    pub acked: i64,
    /// Refused and waiting for a person.
    pub rejected: i64,
    /// Refused and put aside.
    pub aside: i64,
    /// Not sent yet, and no longer fitting what the service has.
    pub unfit: i64,
}

pub(super) const COLUMNS: &str =
    "op_no, op_id, grp, kind, record_id, action, base_seq, payload, done_at, state, seq, problem, applies";

pub(super) fn read(row: &Row<'_>) -> rusqlite::Result<OutboxOp> {
    let action: String = row.get(5)?;
    let payload: String = row.get(7)?;
    let state: String = row.get(9)?;
    let problem: Option<String> = row.get(11)?;
    let broken =
        |at, error| rusqlite::Error::FromSqlConversionFailure(at, rusqlite::types::Type::Text, error);
    let action = serde_json::from_value(serde_json::Value::String(action))
        .map_err(|error| broken(5, Box::new(error)))?;
    Ok(OutboxOp {
        op_no: row.get(0)?,
        op_id: row.get(1)?,
        group: row.get(2)?,
        kind: row.get(3)?,
        record_id: row.get(4)?,
        action,
        base_seq: row.get(6)?,
        payload: serde_json::from_str(&payload).map_err(|error| broken(7, Box::new(error)))?,
        done_at: Timestamp::from_millis(row.get(8)?).map_err(|error| broken(8, Box::new(error)))?,
        state: State::from_name(&state),
        seq: row.get(10)?,
        problem: problem.and_then(|text| serde_json::from_str(&text).ok()),
        applies: row.get(12)?,
    })
}

impl OutboxOp {
    /// One that is not in the outbox yet: its number and its base are the sync machine's to give.
    pub(super) fn new(op: &Op, done_at: Timestamp) -> Self {
        Self {
            op_no: 0,
            op_id: op.op_id,
            group: op.group.clone(),
            kind: op.kind.clone(),
            record_id: op.record_id,
            action: op.action,
            base_seq: op.base_seq,
            payload: op.payload.clone(),
            done_at,
            state: State::Pending,
            seq: None,
            problem: None,
            applies: true,
        }
    }

    /// Its size in a push, with the comma behind it and whatever its number and its base will be.
    pub(super) fn bytes(&self) -> Result<usize> {
        const NUMBERS: usize = 40;
        Ok(serde_json::to_vec(&self.to_push())?.len() + 1 + NUMBERS)
    }

    /// As it is pushed.
    #[must_use]
    pub fn to_push(&self) -> PushOp {
        let (patch, value) = match self.action {
            Action::Patch => (Some(self.payload.clone()), None),
            Action::Delete | Action::Restore => (None, None),
            _ => (None, Some(self.payload.clone())),
        };
        PushOp {
            op_id: self.op_id,
            op_no: self.op_no,
            group: self.group.clone(),
            kind: self.kind.clone(),
            record_id: self.record_id,
            action: self.action,
            base_seq: self.base_seq,
            patch,
            value,
            done_at: Some(self.done_at),
        }
    }
}

impl Store {
    /// These ops as they are pushed, in this order.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn to_push(&self, kitroom: Uuid, ops: &[Uuid]) -> Result<Vec<PushOp>> {
        let sql = format!("SELECT {COLUMNS} FROM outbox WHERE kitroom = ?1 AND op_id = ?2");
        let mut statement = self.conn.prepare_cached(&sql)?;
        let one = |op_id: &Uuid| Ok(statement.query_row(params![kitroom, op_id], read)?.to_push());
        ops.iter().map(one).collect()
    }

    /// The ops of these states, in order.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn outbox(&self, kitroom: Uuid, states: &[State]) -> Result<Vec<OutboxOp>> {
        let sql = format!("SELECT {COLUMNS} FROM outbox WHERE kitroom = ?1 ORDER BY ord");
        let mut statement = self.conn.prepare_cached(&sql)?;
        let all: Vec<OutboxOp> = statement.query_map([kitroom], read)?.collect::<rusqlite::Result<_>>()?;
        Ok(all.into_iter().filter(|op| states.contains(&op.state)).collect())
    }

    /// The numbers of what waits to be sent, in the order in which it goes.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn unsent_numbers(&self, kitroom: Uuid) -> Result<Vec<i64>> {
        let mut statement = self.conn.prepare_cached(
            "SELECT op_no FROM outbox WHERE kitroom = ?1 AND state IN ('pending', 'sent') ORDER BY ord",
        )?;
        Ok(statement.query_map([kitroom], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?)
    }

    /// How many ops are where.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn outbox_counts(&self, kitroom: Uuid) -> Result<OutboxCounts> {
        let mut counts = OutboxCounts::default();
        let mut statement = self.conn.prepare_cached(
            "SELECT state, count(*), sum(1 - applies) FROM outbox WHERE kitroom = ?1 GROUP BY state",
        )?;
        let mut rows = statement.query([kitroom])?;
        while let Some(row) = rows.next()? {
            let (state, n): (String, i64) = (row.get(0)?, row.get(1)?);
            match State::from_name(&state) {
                State::Pending | State::Sent => {
                    counts.pending += n;
                    counts.unfit += row.get::<_, i64>(2)?;
                }
                State::Acked => counts.acked += n,
                State::Rejected => counts.rejected += n,
                State::Aside => counts.aside += n,
            }
        }
        Ok(counts)
    }

    /// Puts a refused op aside: it stays in the store and waits for nobody any more. Answers whether there was one.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn put_aside(&self, kitroom: Uuid, op_id: Uuid) -> Result<bool> {
        let changed = self.conn.execute(
            "UPDATE outbox SET state = 'aside' WHERE kitroom = ?1 AND op_id = ?2 AND state = 'rejected'",
            params![kitroom, op_id],
        )?;
        Ok(changed > 0)
    }
}

/// Takes an op in.
pub(super) fn insert(conn: &Connection, kitroom: Uuid, op: &OutboxOp, bytes: usize) -> Result<()> {
    conn.prepare_cached(
        "INSERT INTO outbox (kitroom, op_no, op_id, grp, kind, record_id, action, base_seq, payload, done_at, state,
         bytes) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 'pending', ?11)",
    )?
    .execute(params![
        kitroom,
        op.op_no,
        op.op_id,
        op.group,
        op.kind,
        op.record_id,
        op.action.name(),
        op.base_seq,
        serde_json::to_string(&op.payload)?,
        op.done_at.millis(),
        i64::try_from(bytes).unwrap_or(i64::MAX)
    ])?;
    Ok(())
}

/// Ops wait, or were sent.
pub(super) fn set_state(conn: &Connection, kitroom: Uuid, ops: &[Uuid], state: &str) -> Result<()> {
    let mut statement = conn.prepare_cached(
        "UPDATE outbox SET state = ?3, seq = NULL, reach = NULL WHERE kitroom = ?1 AND op_id = ?2",
    )?;
    for op_id in ops {
        statement.execute(params![kitroom, op_id, state])?;
    }
    Ok(())
}

/// The service has taken an op.
pub(super) fn acked(conn: &Connection, kitroom: Uuid, op_id: Uuid, version: i64, at: i64) -> Result<()> {
    conn.prepare_cached(
        "UPDATE outbox SET state = 'acked', seq = ?3, reach = ?4, problem = NULL WHERE kitroom = ?1 AND op_id = ?2",
    )?
    .execute(params![kitroom, op_id, version, at])?;
    Ok(())
}

/// The service has refused an op; what a person has put aside since stays there.
pub(super) fn rejected(
    conn: &Connection,
    kitroom: Uuid,
    op_id: Uuid,
    problem: Option<&Problem>,
) -> Result<()> {
    let problem = problem.map(serde_json::to_string).transpose()?;
    conn.prepare_cached(
        "UPDATE outbox SET state = 'rejected', problem = ?3
         WHERE kitroom = ?1 AND op_id = ?2 AND state IN ('pending', 'sent')",
    )?
    .execute(params![kitroom, op_id, problem])?;
    Ok(())
}

/// Base holds an op's effect.
pub(super) fn forget(conn: &Connection, kitroom: Uuid, op_id: Uuid) -> Result<()> {
    conn.prepare_cached(
        "DELETE FROM outbox WHERE kitroom = ?1 AND op_id = ?2 AND state IN ('pending', 'sent', 'acked')",
    )?
    .execute(params![kitroom, op_id])?;
    Ok(())
}

/// Gives ops their numbers.
pub(super) fn number(conn: &Connection, kitroom: Uuid, numbers: &[(Uuid, i64)]) -> Result<()> {
    let mut statement =
        conn.prepare_cached("UPDATE outbox SET op_no = ?3 WHERE kitroom = ?1 AND op_id = ?2")?;
    for (op_id, op_no) in numbers {
        statement.execute(params![kitroom, op_id, op_no])?;
    }
    Ok(())
}

/// Lets an op rest on an earlier base.
pub(super) fn rest_on(conn: &Connection, kitroom: Uuid, op_id: Uuid, base_seq: i64) -> Result<()> {
    conn.prepare_cached("UPDATE outbox SET base_seq = ?3 WHERE kitroom = ?1 AND op_id = ?2")?
        .execute(params![kitroom, op_id, base_seq])?;
    Ok(())
}

/// Moves ops into another kitroom, of which none of them has seen anything.
pub(super) fn move_all(
    conn: &Connection,
    (from, to): (Uuid, Uuid),
    numbers: &[(Uuid, i64)],
    affected: &mut Affected,
) -> Result<()> {
    let mut statement = conn.prepare_cached(
        "UPDATE outbox SET kitroom = ?2, op_no = ?4, base_seq = 0, state = 'pending', seq = NULL, reach = NULL
         WHERE kitroom = ?1 AND op_id = ?3",
    )?;
    for (op_id, op_no) in numbers {
        affected.add_op(conn, from, *op_id)?;
        statement.execute(params![from, to, op_id, op_no])?;
    }
    Ok(())
}
