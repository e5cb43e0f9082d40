//! Base replaced by what the service tells anew, and what it may have lost on the way.

use domain::kinds;
use domain::sync::client::recovery::{self, Loss};
use domain::wire::shape::Object;
use rusqlite::{Connection, Row, params};
use uuid::Uuid;

use super::rebase::Affected;
use super::{Store, page, records};
use crate::error::Result;

/// A record of base or incoming, read.
struct Held {
    seq: i64,
    deleted: bool,
    record: Option<Object>,
}

impl Held {
    fn row(&self) -> recovery::Row<'_> {
        recovery::Row { seq: self.seq, deleted: self.deleted, record: self.record.as_ref() }
    }
}

fn held(row: &Row<'_>, at: usize) -> rusqlite::Result<Option<Held>> {
    let Some(seq) = row.get::<_, Option<i64>>(at)? else { return Ok(None) };
    let text: Option<String> = row.get(at + 2)?;
    let record = text.and_then(|text| serde_json::from_str(&text).ok());
    Ok(Some(Held { seq, deleted: row.get(at + 1)?, record }))
}

/// Base and incoming side by side.
const BOTH: &str = "SELECT base.kind, base.id, base.seq, base.deleted, base.record,
        incoming.seq, incoming.deleted, incoming.record
    FROM base LEFT JOIN incoming USING (kitroom, kind, id) WHERE base.kitroom = ?1";

impl Store {
    /// The last change that base and what is incoming have in common.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn common_change(&self, kitroom: Uuid) -> Result<i64> {
        // Only what has the same number in both can be one change.
        let mut statement = self.conn.prepare_cached(&format!("{BOTH} AND incoming.seq = base.seq"))?;
        let mut rows = statement.query([kitroom])?;
        let mut last = 0;
        while let Some(row) = rows.next()? {
            if let (Some(before), Some(now)) = (held(row, 2)?, held(row, 5)?) {
                last = last.max(recovery::common([(before.row(), now.row())]));
            }
        }
        Ok(last)
    }
}

/// Empties the place beside base.
pub(super) fn begin(conn: &Connection, kitroom: Uuid) -> Result<()> {
    conn.execute("DELETE FROM incoming WHERE kitroom = ?1", [kitroom])?;
    Ok(())
}

/// Puts incoming in the place of base; answers how many records changed. With the last common change, what may be lost is
/// kept for a person.
pub(super) fn finish(
    conn: &Connection,
    kitroom: Uuid,
    recover_after: Option<i64>,
    now_ms: i64,
    affected: &mut Affected,
) -> Result<usize> {
    if let Some(common) = recover_after {
        keep_lost(conn, kitroom, common, now_ms)?;
    }
    let mut statement = conn.prepare(
        "SELECT kind, id FROM base LEFT JOIN incoming USING (kitroom, kind, id)
         WHERE kitroom = ?1 AND (incoming.id IS NULL OR incoming.seq <> base.seq
             OR incoming.deleted <> base.deleted OR incoming.record IS NOT base.record)
         UNION SELECT kind, id FROM incoming WHERE kitroom = ?1 AND NOT EXISTS
             (SELECT 1 FROM base WHERE base.kitroom = incoming.kitroom AND base.kind = incoming.kind
              AND base.id = incoming.id)",
    )?;
    let mut rows = statement.query([kitroom])?;
    let mut changed = 0;
    while let Some(row) = rows.next()? {
        let (kind, id): (String, Uuid) = (row.get(0)?, row.get(1)?);
        // What the old state had made is stale now.
        if let Some(kind) = kinds::kind(&kind)
            && let Some(was) = records::of_view(conn, kitroom, kind, id)?
        {
            records::mark_dirty(conn, kitroom, page::dirties(conn, kitroom, kind, &was)?)?;
        }
        affected.add(&kind, id);
        changed += 1;
    }
    // A tombstone tells no record; the last one known stays with it. Own changes stay own where nothing has changed.
    conn.execute(
        "UPDATE incoming SET record = (SELECT record FROM base WHERE base.kitroom = incoming.kitroom
             AND base.kind = incoming.kind AND base.id = incoming.id)
         WHERE kitroom = ?1 AND deleted AND record IS NULL",
        [kitroom],
    )?;
    conn.execute(
        "CREATE TEMP TABLE IF NOT EXISTS own_before (kind TEXT, id BLOB, seq INTEGER, PRIMARY KEY (kind, id))
         WITHOUT ROWID",
        [],
    )?;
    conn.execute("DELETE FROM own_before", [])?;
    if recover_after.is_none() {
        conn.execute(
            "INSERT INTO own_before SELECT kind, id, seq FROM base WHERE kitroom = ?1 AND own",
            [kitroom],
        )?;
    }
    conn.execute("DELETE FROM base WHERE kitroom = ?1", [kitroom])?;
    conn.execute(
        "INSERT INTO base (kitroom, kind, id, seq, deleted, own, live, record)
         SELECT kitroom, kind, id, seq, deleted,
             EXISTS (SELECT 1 FROM own_before AS own
                     WHERE own.kind = incoming.kind AND own.id = incoming.id AND own.seq = incoming.seq),
             live, record
         FROM incoming WHERE kitroom = ?1",
        [kitroom],
    )?;
    conn.execute("DELETE FROM own_before", [])?;
    begin(conn, kitroom)?;
    Ok(changed)
}

fn keep_lost(conn: &Connection, kitroom: Uuid, common: i64, now_ms: i64) -> Result<()> {
    // What a restore before this one has lost may have been written before what is still common now, or after.
    conn.execute(
        "UPDATE recovery SET common = min(common, ?2) WHERE kitroom = ?1 AND decided IS NULL",
        params![kitroom, common],
    )?;
    let mut statement = conn.prepare(&format!("{BOTH} ORDER BY base.seq"))?;
    let mut keep = conn.prepare_cached(
        "INSERT INTO recovery (kitroom, kind, id, loss, deleted, record, common, found_at)
         SELECT ?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8 WHERE NOT EXISTS
             (SELECT 1 FROM recovery WHERE kitroom = ?1 AND kind = ?2 AND id = ?3 AND decided IS NULL
              AND deleted = ?5 AND record IS ?6)",
    )?;
    let mut rows = statement.query([kitroom])?;
    while let Some(row) = rows.next()? {
        let (kind, id): (String, Uuid) = (row.get(0)?, row.get(1)?);
        let (Some(before), now) = (held(row, 2)?, held(row, 5)?) else { continue };
        // The service makes conflicts by itself, from the ops that it gets.
        if kinds::kind(&kind).is_some_and(|kind| kind.name == "conflict") {
            continue;
        }
        if let Some(loss) = recovery::lost(before.row(), now.as_ref().map(Held::row), common) {
            let text = row.get::<_, Option<String>>(4)?;
            keep.execute(params![kitroom, kind, id, loss.name(), before.deleted, text, common, now_ms])?;
        }
    }
    Ok(())
}

/// What a restored service may have lost of one record.
#[derive(Debug, Clone, PartialEq)]
pub struct Lost {
    /// Its number here.
    pub no: i64,
    /// The kind of record.
    pub kind: String,
    /// The record.
    pub id: Uuid,
    /// How the service stands to it.
    pub loss: Loss,
    /// Whether it was deleted here.
    pub deleted: bool,
    /// The record as the service told it before; none of one that was deleted before this device had it.
    pub record: Option<Object>,
    /// The last change that this device and the restored service have in common.
    pub common: i64,
}
