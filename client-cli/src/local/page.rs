//! A page of changes on its way into the store. Records that the outbox does not touch take the short way: their text
//! goes into base as it came, and only what is derived from them is read out of it.

use std::cell::RefCell;
use std::collections::{BTreeSet, HashSet};

use domain::kinds::{self, Dirty, Kind};
use domain::sync::record::{Lookup, Stored};
use domain::sync::working::Working;
use domain::wire::shape::Object;
use rusqlite::{Connection, params};
use uuid::Uuid;

use super::rebase::Affected;
use super::records;
use crate::error::Result;
use crate::remote::Row;

/// What a page brought.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct PageApplied {
    /// Changes that this device had not made itself.
    pub received: usize,
}

/// Whether a record is neither deleted nor voided, from its text.
pub(super) fn is_live(row: &Row) -> bool {
    // Only a fact that is voided has the member at all; the words may stand in a text of another one, so it is read then.
    let voided = |text: &str| {
        text.contains("\"voided\"")
            && serde_json::from_str::<Object>(text).is_ok_and(|record| record.contains_key("voided"))
    };
    !row.deleted && !row.text().is_some_and(voided)
}

/// The records that unsettled ops touch.
fn busy(conn: &Connection, kitroom: Uuid) -> Result<HashSet<(String, Uuid)>> {
    let mut statement = conn.prepare_cached(
        "SELECT DISTINCT kind, record_id FROM outbox WHERE kitroom = ?1 AND state IN ('pending', 'sent', 'acked')",
    )?;
    let rows = statement.query_map([kitroom], |row| Ok((row.get(0)?, row.get(1)?)))?;
    let mut busy: HashSet<(String, Uuid)> = rows.collect::<rusqlite::Result<_>>()?;
    if !busy.is_empty() {
        let names = super::rebase::settled(conn, kitroom)?.into_iter().flatten();
        busy.extend(names.map(|(kind, id)| (kind.to_owned(), id)));
    }
    Ok(busy)
}

/// A row that no op touches, read.
struct Read {
    kind: &'static Kind,
    record: Option<Stored>,
    id: Uuid,
    is_new: bool,
}

/// Puts the rows over base. Records that ops touch become affected: their view has to be made anew by the caller.
pub(super) fn into_base(
    conn: &Connection,
    kitroom: Uuid,
    rows: &[Row],
    affected: &mut Affected,
) -> Result<PageApplied> {
    let busy = busy(conn, kitroom)?;
    let mut applied = PageApplied::default();
    let mut stale: BTreeSet<Dirty> = BTreeSet::new();
    let mut read: Vec<Read> = Vec::with_capacity(rows.len());
    // What a change makes stale hangs on the record as it was, and on others as they were.
    let mut before: HashSet<(&str, Uuid)> = HashSet::new();
    for row in rows {
        let Some(kind) = kinds::kind(&row.kind) else { continue };
        if let Some(was) = records::of_view(conn, kitroom, kind, row.id)? {
            stale.extend(dirties(conn, kitroom, kind, &was)?);
            before.insert((kind.name, row.id));
        }
    }
    for row in rows {
        let is_busy = busy.contains(&(row.kind.clone(), row.id));
        let own = is_busy && is_own(conn, kitroom, row)?;
        applied.received += usize::from(!own);
        put(conn, kitroom, row, own)?;
        if is_busy {
            affected.add(&row.kind, row.id);
            continue;
        }
        let Some(kind) = kinds::kind(&row.kind) else { continue };
        // A record that changed while the page came is in it twice. What a page says of a deleted one is nothing.
        let is_new = before.insert((kind.name, row.id));
        let record = match row.text() {
            Some(text) => Some(records::parse(kind, row.id, text, row.deleted)?),
            None => records::of_view(conn, kitroom, kind, row.id)?,
        };
        records::index(conn, kitroom, kind, row.id, record.as_ref(), is_new)?;
        read.push(Read { kind, record, id: row.id, is_new });
    }
    for Read { kind, record, id, is_new } in read {
        let Some(record) = record else { continue };
        stale.extend(dirties(conn, kitroom, kind, &record)?);
        // A sitting may arrive after the weighings that name it.
        if is_new {
            for (from, source, _) in records::referrers(conn, kitroom, kind.name, id)? {
                let Some(from) = kinds::kind(&from) else { continue };
                if let Some(record) = records::of_view(conn, kitroom, from, source)? {
                    stale.extend(dirties(conn, kitroom, from, &record)?);
                }
            }
        }
    }
    records::mark_dirty(conn, kitroom, stale)?;
    Ok(applied)
}

fn is_own(conn: &Connection, kitroom: Uuid, row: &Row) -> Result<bool> {
    let mut statement = conn.prepare_cached(
        "SELECT 1 FROM outbox WHERE kitroom = ?1 AND kind = ?2 AND record_id = ?3 AND seq = ?4",
    )?;
    Ok(statement.exists(params![kitroom, row.kind, row.id, row.seq])?)
}

/// One row over base. A tombstone carries no record; the last one stays, so that it can be brought back. What was deleted
/// here may have changed here just before.
fn put(conn: &Connection, kitroom: Uuid, row: &Row, own: bool) -> Result<()> {
    let seen;
    let mut text = row.text();
    if own && row.deleted && text.is_none() {
        seen = last_seen(conn, kitroom, row)?;
        text = seen.as_deref();
    }
    conn.prepare_cached(
        "INSERT INTO base (kitroom, kind, id, seq, deleted, own, live, record) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
         ON CONFLICT (kitroom, kind, id) DO UPDATE
         SET seq = ?4, deleted = ?5, own = ?6, live = ?7, record = ifnull(?8, record)",
    )?
    .execute(params![kitroom, row.kind, row.id, row.seq, row.deleted, own, is_live(row), text])?;
    Ok(())
}

fn last_seen(conn: &Connection, kitroom: Uuid, row: &Row) -> Result<Option<String>> {
    use rusqlite::OptionalExtension;
    let mut statement =
        conn.prepare_cached("SELECT record FROM view WHERE kitroom = ?1 AND kind = ?2 AND id = ?3")?;
    Ok(statement.query_row(params![kitroom, row.kind, row.id], |row| row.get(0)).optional()?)
}

/// Puts the rows beside base.
pub(super) fn into_incoming(conn: &Connection, kitroom: Uuid, rows: &[Row]) -> Result<()> {
    let mut statement = conn.prepare_cached(
        "INSERT INTO incoming (kitroom, kind, id, seq, deleted, live, record) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
         ON CONFLICT (kitroom, kind, id) DO UPDATE
         SET seq = ?4, deleted = ?5, live = ?6, record = ifnull(?7, record)",
    )?;
    for row in rows {
        statement.execute(params![
            kitroom,
            row.kind,
            row.id,
            row.seq,
            row.deleted,
            is_live(row),
            row.text()
        ])?;
    }
    Ok(())
}

/// What a record's change makes stale. Most kinds look at nothing else; what one does look at is fetched when it asks.
pub(super) fn dirties(
    conn: &Connection,
    kitroom: Uuid,
    kind: &'static Kind,
    record: &Stored,
) -> Result<Vec<Dirty>> {
    let mut known = Working::new(0);
    for _ in 0..4 {
        let asking = Asking { known: &known, missing: RefCell::default() };
        let dirties = (kind.dirties)(record, &asking);
        let missing = asking.missing.into_inner();
        if missing.is_empty() {
            return Ok(dirties);
        }
        let mut found = false;
        for (kind, id) in missing {
            if let Some(other) = records::of_view(conn, kitroom, kind, id)? {
                known.load(kind.name, other);
                found = true;
            }
        }
        if !found {
            return Ok(dirties);
        }
    }
    Ok((kind.dirties)(record, &known))
}

/// Notes what is asked for and not known.
struct Asking<'a> {
    known: &'a Working,
    missing: RefCell<Vec<(&'static Kind, Uuid)>>,
}

impl Lookup for Asking<'_> {
    fn get(&self, kind: &str, id: Uuid) -> Option<&Stored> {
        let found = self.known.get(kind, id);
        if found.is_none() {
            self.missing.borrow_mut().extend(kinds::kind(kind).map(|kind| (kind, id)));
        }
        found
    }

    fn in_use(&self, kind: &str, id: Uuid) -> bool {
        self.known.in_use(kind, id)
    }

    fn referring(&self, kind: &str, field: &str, id: Uuid) -> Vec<&Stored> {
        self.known.referring(kind, field, id)
    }
}
