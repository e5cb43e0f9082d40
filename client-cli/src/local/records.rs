//! Records of the view: loading them into a batch at work, and writing back what it changed.

use std::collections::{BTreeMap, HashSet};

use domain::kinds::{self, Dirty, KINDS, Kind};
use domain::sync::canonical::row_hash;
use domain::sync::record::{EXISTENCE, Stored, UnitMark};
use domain::sync::working::Working;
use domain::wire::shape::Object;
use domain::wire::sync::Digest;
use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use super::Store;
use crate::error::{Error, Result};

/// How many references away a validation looks: a weighing, its sitting, that sitting's scale.
const REACH: usize = 3;

fn unreadable(kind: &str, id: Uuid) -> Error {
    Error::internal(format!("a stored {kind} cannot be read")).because(id).hint("run: tare doctor")
}

pub(super) fn parse(kind: &'static Kind, id: Uuid, text: &str, deleted: bool) -> Result<Stored> {
    let object: Object = serde_json::from_str(text)?;
    let mut record = Stored::from_wire(kind, &object).ok_or_else(|| unreadable(kind.name, id))?;
    record.deleted = deleted;
    Ok(record)
}

/// A record of the view. Its merge-unit marks are those of an own change: nothing local contradicts what one sees.
pub(super) fn of_view(
    conn: &Connection,
    kitroom: Uuid,
    kind: &'static Kind,
    id: Uuid,
) -> Result<Option<Stored>> {
    let mut statement =
        conn.prepare_cached("SELECT record, deleted FROM view WHERE kitroom = ?1 AND kind = ?2 AND id = ?3")?;
    let row: Option<(String, bool)> = statement
        .query_row(params![kitroom, kind.name, id], |row| Ok((row.get(0)?, row.get(1)?)))
        .optional()?;
    let Some((text, deleted)) = row else { return Ok(None) };
    let mut record = parse(kind, id, &text, deleted)?;
    if !kind.is_fact() {
        record.units = [(EXISTENCE.to_owned(), UnitMark::new(0, None))].into();
    }
    Ok(Some(record))
}

/// A record of base, marked with the change that wrote it.
pub(super) fn of_base(
    conn: &Connection,
    kitroom: Uuid,
    kind: &'static Kind,
    id: Uuid,
    replica: Uuid,
) -> Result<Option<Stored>> {
    let mut statement = conn.prepare_cached(
        "SELECT record, deleted, own, seq FROM base WHERE kitroom = ?1 AND kind = ?2 AND id = ?3",
    )?;
    let row: Option<(Option<String>, bool, bool, i64)> = statement
        .query_row(params![kitroom, kind.name, id], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })
        .optional()?;
    // Deleted before this device ever had it: there is nothing to show.
    let Some((Some(text), deleted, own, seq)) = row else { return Ok(None) };
    let mut record = parse(kind, id, &text, deleted)?;
    record.version = seq;
    if !kind.is_fact() {
        let mark = UnitMark::new(seq, own.then_some(replica));
        record.units = [(EXISTENCE.to_owned(), mark)].into();
    }
    Ok(Some(record))
}

/// Lays a record of the view and what it refers to into the batch.
pub(super) fn load(
    conn: &Connection,
    kitroom: Uuid,
    working: &mut Working,
    kind: &'static Kind,
    id: Uuid,
) -> Result<()> {
    let mut wanted = vec![(kind, id)];
    for _ in 0..=REACH {
        let mut next = Vec::new();
        for (kind, id) in wanted {
            if working.holds(kind.name, id) {
                continue;
            }
            if let Some(record) = of_view(conn, kitroom, kind, id)? {
                next.extend(references(kind, &record.body));
                working.load(kind.name, record);
            }
        }
        wanted = next;
    }
    Ok(())
}

/// The records that a body refers to.
pub(super) fn references(kind: &'static Kind, body: &Object) -> Vec<(&'static Kind, Uuid)> {
    kind.references(body).filter_map(|(reference, id)| Some((kinds::kind(reference.kind)?, id))).collect()
}

/// Lays the live records that refer to this one into the batch, so that a deletion sees them.
pub(super) fn load_referrers(
    conn: &Connection,
    kitroom: Uuid,
    working: &mut Working,
    kind: &'static Kind,
    id: Uuid,
) -> Result<()> {
    for (from, source, _) in referrers(conn, kitroom, kind.name, id)? {
        if let Some(from) = kinds::kind(&from) {
            load(conn, kitroom, working, from, source)?;
        }
    }
    Ok(())
}

/// (kind, id, field) of every record of the view that names this one.
pub(super) fn referrers(
    conn: &Connection,
    kitroom: Uuid,
    kind: &str,
    id: Uuid,
) -> Result<Vec<(String, Uuid, String)>> {
    let mut statement = conn.prepare_cached(
        "SELECT kind, id, field FROM refs WHERE kitroom = ?1 AND to_kind = ?2 AND to_id = ?3",
    )?;
    let rows =
        statement.query_map(params![kitroom, kind, id], |row| Ok((row.get(0)?, row.get(1)?, row.get(2)?)))?;
    Ok(rows.collect::<rusqlite::Result<_>>()?)
}

/// Lays a record that the outbox has changed over base.
pub(super) fn save(conn: &Connection, kitroom: Uuid, kind: &'static Kind, record: &Stored) -> Result<()> {
    let text = serde_json::to_string(&record.to_wire())?;
    conn.prepare_cached(
        "INSERT INTO overlay (kitroom, kind, id, live, deleted, record) VALUES (?1, ?2, ?3, ?4, ?5, ?6)
         ON CONFLICT (kitroom, kind, id) DO UPDATE SET live = ?4, deleted = ?5, record = ?6",
    )?
    .execute(params![kitroom, kind.name, record.id, record.is_live(), record.deleted, text])?;
    index(conn, kitroom, kind, record.id, Some(record), false)
}

/// Shows a record as base has it, if it has one.
pub(super) fn uncover(
    conn: &Connection,
    kitroom: Uuid,
    kind: &'static Kind,
    id: Uuid,
    record: Option<&Stored>,
) -> Result<()> {
    conn.prepare_cached("DELETE FROM overlay WHERE kitroom = ?1 AND kind = ?2 AND id = ?3")?
        .execute(params![kitroom, kind.name, id])?;
    index(conn, kitroom, kind, id, record, false)
}

/// Keeps up what is read out of a record of the view: its references and, for an item, its line.
pub(super) fn index(
    conn: &Connection,
    kitroom: Uuid,
    kind: &'static Kind,
    id: Uuid,
    record: Option<&Stored>,
    is_new: bool,
) -> Result<()> {
    if !is_new {
        drop_references(conn, kitroom, kind, id)?;
    }
    let is_item = kind.name == kinds::item::KIND.name;
    let Some(record) = record else {
        return if is_item { super::items::drop_line(conn, kitroom, id) } else { Ok(()) };
    };
    let mut statement = conn.prepare_cached(
        "INSERT INTO refs (kitroom, to_kind, to_id, kind, id, field) VALUES (?1, ?2, ?3, ?4, ?5, ?6)",
    )?;
    for (reference, target) in kind.references(&record.body) {
        statement.execute(params![kitroom, reference.kind, target, kind.name, id, reference.field])?;
    }
    if is_item {
        super::items::save_line(conn, kitroom, record)?;
    }
    Ok(())
}

fn drop_references(conn: &Connection, kitroom: Uuid, kind: &'static Kind, id: Uuid) -> Result<()> {
    conn.prepare_cached("DELETE FROM refs WHERE kitroom = ?1 AND kind = ?2 AND id = ?3")?
        .execute(params![kitroom, kind.name, id])?;
    Ok(())
}

/// Notes derived values as stale.
pub(super) fn mark_dirty(
    conn: &Connection,
    kitroom: Uuid,
    dirty: impl IntoIterator<Item = Dirty>,
) -> Result<()> {
    let mut statement =
        conn.prepare_cached("INSERT OR IGNORE INTO dirty (kitroom, what, id) VALUES (?1, ?2, ?3)")?;
    for dirty in dirty {
        let (what, id) = match dirty {
            Dirty::Item(id) => ("item", id),
            Dirty::Sitting(id) => ("sitting", id),
            Dirty::Repeats(id) => ("repeats", id),
            Dirty::State(id) => ("state", id),
            Dirty::Stock(id) => ("stock", id),
            // Whether a loadout is sealed is seen from its few seals whenever it is shown.
            Dirty::Loadout(_) => continue,
        };
        statement.execute(params![kitroom, what, id])?;
    }
    Ok(())
}

/// Writes back everything that a batch changed; answers what it made stale.
pub(super) fn save_changed(conn: &Connection, kitroom: Uuid, working: &Working) -> Result<HashSet<Dirty>> {
    for kind in KINDS {
        for record in working.changed(kind.name) {
            save(conn, kitroom, kind, record)?;
        }
    }
    Ok(working.dirty().into_iter().collect())
}

impl Store {
    /// All records of a kind, deleted and voided ones included, in the order of their ids.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn records(&self, kitroom: Uuid, kind: &'static Kind) -> Result<Vec<Stored>> {
        let mut statement = self.conn.prepare_cached(
            "SELECT id, record, deleted FROM view WHERE kitroom = ?1 AND kind = ?2 ORDER BY id",
        )?;
        let mut rows = statement.query(params![kitroom, kind.name])?;
        let mut records = Vec::new();
        while let Some(row) = rows.next()? {
            records.push(parse(
                kind,
                row.get(0)?,
                row.get_ref(1)?.as_str().unwrap_or_default(),
                row.get(2)?,
            )?);
        }
        Ok(records)
    }

    /// How many records base holds of each kind, deleted ones left out.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn counts_by_kind(&self, kitroom: Uuid) -> Result<BTreeMap<String, i64>> {
        let mut statement = self.conn.prepare_cached(
            "SELECT kind, count(*) FROM base WHERE kitroom = ?1 AND NOT deleted GROUP BY kind",
        )?;
        let counts = statement.query_map([kitroom], |row| Ok((row.get(0)?, row.get(1)?)))?;
        Ok(counts.collect::<rusqlite::Result<_>>()?)
    }

    /// How the replica differs from a digest of the service: the kinds of which it does not hold the same records. Kinds
    /// that this version does not know cannot be compared.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn kinds_out_of_step(&self, kitroom: Uuid, digest: &Digest) -> Result<Vec<&'static str>> {
        let mut statement = self.conn.prepare_cached(
            "SELECT id, seq, record FROM base WHERE kitroom = ?1 AND kind = ?2 AND NOT deleted",
        )?;
        let mut differing = Vec::new();
        for kind in KINDS {
            let (mut count, mut sum) = (0_i64, 0_i64);
            let mut rows = statement.query(params![kitroom, kind.name])?;
            while let Some(row) = rows.next()? {
                let (id, seq): (Uuid, i64) = (row.get(0)?, row.get(1)?);
                let mut record = parse(kind, id, row.get_ref(2)?.as_str().unwrap_or_default(), false)?;
                record.version = seq;
                count += 1;
                sum = sum.wrapping_add(row_hash(kind.name, &record));
            }
            let there = digest.kinds.get(kind.name);
            let same =
                there.map_or(count == 0, |there| there.count == count && there.hash == format!("{sum:016x}"));
            if !same {
                differing.push(kind.name);
            }
        }
        Ok(differing)
    }

    /// How many records of kinds that this version does not know the service has told of.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn unknown_records(&self, kitroom: Uuid) -> Result<i64> {
        let mut statement = self.conn.prepare_cached(
            "SELECT kind, count(*) FROM base WHERE kitroom = ?1 AND deleted = 0 GROUP BY kind",
        )?;
        let counts =
            statement.query_map([kitroom], |row| Ok((row.get::<_, String>(0)?, row.get::<_, i64>(1)?)))?;
        let mut unknown = 0;
        for count in counts {
            let (kind, n) = count?;
            unknown += if kinds::kind(&kind).is_none() { n } else { 0 };
        }
        Ok(unknown)
    }

    /// One record of the view.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn record(&self, kitroom: Uuid, kind: &'static Kind, id: Uuid) -> Result<Option<Stored>> {
        of_view(&self.conn, kitroom, kind, id)
    }

    /// The records of `kind` whose `field` names this record, in the order of their ids.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn referring(
        &self,
        kitroom: Uuid,
        kind: &'static Kind,
        field: &str,
        target: (&str, Uuid),
    ) -> Result<Vec<Stored>> {
        let mut ids: Vec<Uuid> = referrers(&self.conn, kitroom, target.0, target.1)?
            .into_iter()
            .filter(|(from, _, by)| from == kind.name && by == field)
            .map(|(_, id, _)| id)
            .collect();
        ids.sort_unstable();
        let records = ids.into_iter().map(|id| of_view(&self.conn, kitroom, kind, id));
        Ok(records.collect::<Result<Vec<_>>>()?.into_iter().flatten().collect())
    }
}
