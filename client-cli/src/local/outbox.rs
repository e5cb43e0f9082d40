//! What was done here and has not come back from the service yet.

use domain::sync::op::{Action, OpStatus};
use domain::time::Timestamp;
use domain::wire::problem::Problem;
use domain::wire::shape::Object;
use domain::wire::sync::{MAX_OPS, MAX_PUSH_BYTES, PushOp, PushResponse, SyncLimits};
use rusqlite::{Row, params};
use uuid::Uuid;

use super::{Store, rebase};
use crate::error::{Error, Result};

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
    /// Of those, contradictions with somebody else's change.
    pub conflicts: i64,
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

/// Room for the envelope of a push.
const ENVELOPE_BYTES: usize = 1024;

impl Store {
    /// The next ops to send: whole groups in order, at most 500 ops and 1 MiB. They are marked as sent first, so that
    /// after a crash it is known that an answer may have been lost.
    ///
    /// # Errors
    /// When the store cannot be read or written, or a group is too large to be sent at all.
    pub fn take_batch(&mut self, kitroom: Uuid, limits: &SyncLimits) -> Result<Vec<OutboxOp>> {
        let (most, most_bytes) = (limits.push_ops.min(MAX_OPS), limits.push_bytes.min(MAX_PUSH_BYTES));
        let tx = self.begin()?;
        let sql = format!(
            "SELECT {COLUMNS} FROM outbox WHERE kitroom = ?1 AND state IN ('pending', 'sent') ORDER BY ord LIMIT {}",
            MAX_OPS + 1
        );
        let waiting: Vec<OutboxOp> =
            tx.prepare_cached(&sql)?.query_map([kitroom], read)?.collect::<rusqlite::Result<_>>()?;
        let mut batch: Vec<OutboxOp> = Vec::new();
        let mut bytes = ENVELOPE_BYTES;
        for group in waiting.chunk_by(|a, b| a.group == b.group) {
            let size: usize = group
                .iter()
                .map(|op| serde_json::to_vec(&op.to_push()).map_or(0, |json| json.len() + 1))
                .sum();
            if batch.len() + group.len() > most || bytes + size > most_bytes {
                if batch.is_empty() {
                    return Err(Error::refused("one step of the outbox is too large to be sent")
                        .because(format!("{} changes of {size} bytes", group.len()))
                        .hint("run: tare doctor"));
                }
                break;
            }
            bytes += size;
            batch.extend_from_slice(group);
        }
        for op in &batch {
            tx.prepare_cached("UPDATE outbox SET state = 'sent' WHERE kitroom = ?1 AND op_id = ?2")?
                .execute(params![kitroom, op.op_id])?;
        }
        tx.commit()?;
        Ok(batch)
    }

    /// Writes down what became of a push. What was refused leaves the view; nothing is forgotten.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn note_results(&mut self, kitroom: Uuid, response: &PushResponse) -> Result<()> {
        let (account, replica) = (self.account_id()?, self.replica_id()?);
        let tx = self.begin()?;
        let mut affected = rebase::Affected::default();
        for result in &response.results {
            let (state, seq) = match result.status {
                OpStatus::Applied | OpStatus::Merged | OpStatus::Conflict | OpStatus::Noop => {
                    ("acked", Some(result.seq.unwrap_or(response.head_seq)))
                }
                OpStatus::Rejected => ("rejected", None),
                OpStatus::NotAttempted => ("pending", None),
            };
            let problem = result.problem.as_ref().map(serde_json::to_string).transpose()?;
            // Only what still waits: a late answer must not bring back what a person has put aside since.
            tx.prepare_cached(
                "UPDATE outbox SET state = ?3, seq = ?4, problem = ?5
                 WHERE kitroom = ?1 AND op_id = ?2 AND state IN ('pending', 'sent')",
            )?
            .execute(params![kitroom, result.op_id, state, seq, problem])?;
            if state == "rejected" {
                affected.add_op(&tx, kitroom, result.op_id)?;
            }
        }
        rebase::settle(&tx, kitroom, &mut affected)?;
        rebase::rebase(&tx, kitroom, affected, account, replica)?;
        super::drain::drain(&tx, kitroom)?;
        Ok(tx.commit()?)
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

    /// How many ops are where.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn outbox_counts(&self, kitroom: Uuid) -> Result<OutboxCounts> {
        let mut counts = OutboxCounts::default();
        let mut statement = self.conn.prepare_cached(
            "SELECT state, count(*), sum(1 - applies),
                    sum(ifnull(json_extract(problem, '$.type') LIKE '%:conflict-pending', 0))
             FROM outbox WHERE kitroom = ?1 GROUP BY state",
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
                State::Rejected => {
                    counts.rejected += n;
                    counts.conflicts += row.get::<_, i64>(3)?;
                }
                State::Aside => counts.aside += n,
            }
        }
        Ok(counts)
    }

    /// Puts a refused op aside: it stays in the store and waits for nobody any more. Answers whether there was one.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn put_aside(&self, kitroom: Uuid, op_no: i64) -> Result<bool> {
        let changed = self.conn.execute(
            "UPDATE outbox SET state = 'aside' WHERE kitroom = ?1 AND op_no = ?2 AND state = 'rejected'",
            params![kitroom, op_no],
        )?;
        Ok(changed > 0)
    }
}
