//! What a restored service may have lost: listed, and brought back or left as a person decides.

use domain::kinds;
use domain::sync::client::recovery::{self, Loss, Row};
use domain::wire::shape::Object;
use rusqlite::{Connection, params};
use uuid::Uuid;

use super::replace::Lost;
use super::{Draft, Store, records};
use crate::error::{Error, Result};

fn loss(name: &str) -> Loss {
    let all = [Loss::Gone, Loss::Differs, Loss::Undeleted, Loss::Deleted];
    all.into_iter().find(|loss| loss.name() == name).unwrap_or(Loss::Gone)
}

/// Takes off the list what the service has again, because another device or person has brought it back.
pub(super) fn drop_what_is_back(conn: &Connection, kitroom: Uuid) -> Result<()> {
    let mut statement = conn.prepare_cached(
        "SELECT recovery.no, recovery.deleted, recovery.record, base.deleted, base.record
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
        if before.says_the_same(&Row { seq: 0, deleted: row.get(3)?, record: now.as_ref() }) {
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
            "SELECT no, kind, id, loss, deleted, record FROM recovery WHERE kitroom = ?1 AND decided IS NULL ORDER BY no",
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
            })
        })?;
        Ok(rows.collect::<rusqlite::Result<_>>()?)
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

    /// The changes that would make a record what it was before, given what it is now. None when there is nothing to do.
    ///
    /// # Errors
    /// Refused for a kind that this version does not know.
    pub fn recovery_of(&self, kitroom: Uuid, lost: &Lost) -> Result<Vec<Draft>> {
        let kind = kinds::kind(&lost.kind).ok_or_else(|| {
            Error::refused(format!("a {} cannot be sent again", lost.kind.replace('_', " ")))
                .because("this version of tare does not know that kind of record")
                .hint("update tare; it is kept until then")
        })?;
        let now = records::of_view(&self.conn, kitroom, kind, lost.id)?;
        let wire: Option<Object> = now.as_ref().map(domain::sync::record::Stored::to_wire);
        let before = Row { seq: 0, deleted: lost.deleted, record: lost.record.as_ref() };
        let now = now.as_ref().map(|now| Row { seq: 0, deleted: now.deleted, record: wire.as_ref() });
        let ops = recovery::ops(kind, before, now);
        Ok(ops
            .into_iter()
            .map(|(action, payload)| Draft { kind, record_id: lost.id, action, payload })
            .collect())
    }

    /// Brings a record back as a change of this device's own: it goes to the service at the next sync.
    ///
    /// # Errors
    /// Refused when the record cannot be made what it was; it keeps waiting then.
    pub fn send_lost(&mut self, kitroom: Uuid, lost: &Lost) -> Result<()> {
        let drafts = self.recovery_of(kitroom, lost)?;
        if !drafts.is_empty() {
            self.act(kitroom, &drafts)?;
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
}
