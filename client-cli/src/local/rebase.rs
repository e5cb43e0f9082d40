//! View = base with the outbox replayed on top, kept up to date record by record.

use std::collections::{BTreeMap, HashSet};

use domain::kinds::{self, Dirty, Kind};
use domain::sync::op::{Actor, Deciding};
use domain::sync::record::Lookup;
use domain::sync::working::Working;
use domain::wire::problem::Problem;
use domain::wire::sync::ChangesPage;
use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use super::act::{load_for, op};
use super::outbox::{self, OutboxOp};
use super::{Store, drain, kitrooms, records};
use crate::error::{Error, Result};

/// The records whose view has to be made anew.
#[derive(Debug, Default)]
pub(super) struct Affected(HashSet<(String, Uuid)>);

impl Affected {
    pub(super) fn add(&mut self, kind: &str, id: Uuid) {
        self.0.insert((kind.to_owned(), id));
    }

    pub(super) fn add_op(&mut self, conn: &Connection, kitroom: Uuid, op_id: Uuid) -> Result<()> {
        let mut statement =
            conn.prepare_cached("SELECT kind, record_id FROM outbox WHERE kitroom = ?1 AND op_id = ?2")?;
        self.0
            .extend(statement.query_row(params![kitroom, op_id], |r| Ok((r.get(0)?, r.get(1)?))).optional()?);
        Ok(())
    }
}

/// What a page brought.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub struct PageApplied {
    /// Changes that this device had not made itself.
    pub received: usize,
}

/// Forgets the ops that base has reached; their records are affected.
pub(super) fn settle(conn: &Connection, kitroom: Uuid, affected: &mut Affected) -> Result<()> {
    let mut statement = conn.prepare_cached(
        "DELETE FROM outbox WHERE kitroom = ?1 AND state = 'acked'
         AND seq <= (SELECT base_seq FROM kitrooms WHERE id = ?1) RETURNING kind, record_id",
    )?;
    let rows = statement.query_map([kitroom], |row| Ok((row.get(0)?, row.get(1)?)))?;
    for row in rows {
        affected.0.insert(row?);
    }
    Ok(())
}

/// Makes the view of the affected records anew, and of everything that shares a step with them.
pub(super) fn rebase(
    conn: &Connection,
    kitroom: Uuid,
    mut affected: Affected,
    account: Uuid,
    replica: Uuid,
) -> Result<()> {
    if affected.0.is_empty() {
        return Ok(());
    }
    let groups = outstanding(conn, kitroom, &mut affected)?;
    let room = kitrooms::find(conn, kitroom)?;
    let mut stale: HashSet<Dirty> = HashSet::new();
    let mut arrived: Vec<(&'static Kind, Uuid)> = Vec::new();
    // Every row is put back before any is judged: what a record's change makes stale hangs on others.
    let mut before = Working::new(room.base_seq);
    let known: Vec<(&'static Kind, Uuid)> =
        affected.0.iter().filter_map(|(kind, id)| Some((kinds::kind(kind)?, *id))).collect();
    for (kind, id) in &known {
        records::load(conn, kitroom, &mut before, kind, *id)?;
    }
    let mut working = Working::new(room.base_seq);
    let mut targets = Vec::new();
    for (kind, id) in &known {
        match before.get(kind.name, *id) {
            Some(record) => stale.extend((kind.dirties)(record, &before)),
            None => arrived.push((kind, *id)),
        }
        match records::of_base(conn, kitroom, kind, *id, replica)? {
            Some(record) => {
                records::save(conn, kitroom, kind, &record)?;
                targets.extend(records::references(kind, &record.body));
                working.load(kind.name, record);
            }
            None => records::forget(conn, kitroom, kind, *id)?,
        }
    }
    for (kind, id) in targets {
        records::load(conn, kitroom, &mut working, kind, id)?;
    }
    for group in &groups {
        let ops = group
            .iter()
            .map(|o| op(o.op_id, &o.group, (&o.kind, o.record_id, o.action, &o.payload), o.base_seq))
            .collect::<Result<Vec<_>>>()?;
        for op in &ops {
            load_for(conn, kitroom, &mut working, op)?;
        }
        let now = group[0].done_at;
        let actor = Actor { account, role: room.role, replica: Some(replica) };
        let deciding = Deciding { now, actor, refuse_future_times: false };
        let results = working.apply_group(&ops.iter().collect::<Vec<_>>(), &deciding);
        for result in results {
            note_fit(conn, kitroom, result.op_id, result.problem.as_ref())?;
        }
    }
    stale.extend(records::save_changed(conn, kitroom, &working)?);
    for (kind, id) in &known {
        records::load(conn, kitroom, &mut working, kind, *id)?;
        if let Some(record) = working.get(kind.name, *id) {
            stale.extend((kind.dirties)(record, &working));
        }
    }
    // A sitting may arrive after the weighings that name it.
    for (kind, id) in arrived {
        for (from, source, _) in records::referrers(conn, kitroom, kind.name, id)? {
            let Some(from) = kinds::kind(&from) else { continue };
            records::load(conn, kitroom, &mut working, from, source)?;
            if let Some(record) = working.get(from.name, source) {
                stale.extend((from.dirties)(record, &working));
            }
        }
    }
    records::mark_dirty(conn, kitroom, stale)
}

/// The groups of ops that base does not have yet and that touch an affected record, in order; whatever else such a
/// group touches becomes affected too.
fn outstanding(conn: &Connection, kitroom: Uuid, affected: &mut Affected) -> Result<Vec<Vec<OutboxOp>>> {
    let mut touching = conn.prepare_cached(
        "SELECT DISTINCT grp FROM outbox WHERE kitroom = ?1 AND kind = ?2 AND record_id = ?3
         AND state IN ('pending', 'sent', 'acked')",
    )?;
    let sql = format!(
        "SELECT {}, ord FROM outbox WHERE kitroom = ?1 AND grp = ?2 AND state IN ('pending', 'sent', 'acked')
         ORDER BY ord",
        outbox::COLUMNS
    );
    let mut members = conn.prepare_cached(&sql)?;
    let mut groups: BTreeMap<i64, Vec<OutboxOp>> = BTreeMap::new();
    let mut known: HashSet<String> = HashSet::new();
    let mut unseen: Vec<(String, Uuid)> = affected.0.iter().cloned().collect();
    while let Some((kind, id)) = unseen.pop() {
        let names = touching.query_map(params![kitroom, kind, id], |row| row.get::<_, String>(0))?;
        for name in names.collect::<rusqlite::Result<Vec<_>>>()? {
            if !known.insert(name.clone()) {
                continue;
            }
            let rows =
                members.query_map(params![kitroom, name], |row| Ok((outbox::read(row)?, row.get(13)?)))?;
            let rows: Vec<(OutboxOp, i64)> = rows.collect::<rusqlite::Result<_>>()?;
            let first = rows.first().map_or(0, |(_, ord)| *ord);
            for (op, _) in &rows {
                if affected.0.insert((op.kind.clone(), op.record_id)) {
                    unseen.push((op.kind.clone(), op.record_id));
                }
            }
            groups.insert(first, rows.into_iter().map(|(op, _)| op).collect());
        }
    }
    Ok(groups.into_values().collect())
}

fn last_seen(conn: &Connection, kitroom: Uuid, kind: &str, id: Uuid) -> Result<Option<String>> {
    let mut statement =
        conn.prepare_cached("SELECT record FROM view WHERE kitroom = ?1 AND kind = ?2 AND id = ?3")?;
    Ok(statement.query_row(params![kitroom, kind, id], |row| row.get(0)).optional()?)
}

fn note_fit(conn: &Connection, kitroom: Uuid, op_id: Uuid, problem: Option<&Problem>) -> Result<()> {
    let text = problem.map(serde_json::to_string).transpose()?;
    conn.prepare_cached("UPDATE outbox SET applies = ?3, problem = ?4 WHERE kitroom = ?1 AND op_id = ?2")?
        .execute(params![kitroom, op_id, problem.is_none(), text])?;
    Ok(())
}

impl Store {
    /// Takes a page of changes in: rows and cursor together, or nothing.
    ///
    /// # Errors
    /// Refused when the kitroom's epoch is another one than before; otherwise when the store cannot be written or the
    /// page holds a record that cannot be read.
    pub fn apply_page(&mut self, kitroom: Uuid, page: &ChangesPage) -> Result<PageApplied> {
        let (account, replica) = (self.account_id()?, self.replica_id()?);
        let tx = self.begin()?;
        let room = kitrooms::find(&tx, kitroom)?;
        if room.epoch.is_some_and(|epoch| epoch != page.epoch) {
            return Err(epoch_changed(&room.name));
        }
        let mut applied = PageApplied::default();
        let mut affected = Affected::default();
        for change in &page.changes {
            let own = tx
                .prepare_cached(
                    "SELECT 1 FROM outbox WHERE kitroom = ?1 AND kind = ?2 AND record_id = ?3 AND seq = ?4",
                )?
                .exists(params![kitroom, change.kind, change.id, change.seq])?;
            applied.received += usize::from(!own);
            let mut record = change.record.as_ref().map(serde_json::to_string).transpose()?;
            // A tombstone carries no record; the last one stays, so that it can be brought back. What was deleted here
            // may have changed here just before.
            if own && change.deleted && record.is_none() {
                record = last_seen(&tx, kitroom, &change.kind, change.id)?;
            }
            tx.prepare_cached(
                "INSERT INTO base (kitroom, kind, id, seq, deleted, own, record) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
                 ON CONFLICT (kitroom, kind, id) DO UPDATE
                 SET seq = ?4, deleted = ?5, own = ?6, record = ifnull(?7, record)",
            )?
            .execute(params![kitroom, change.kind, change.id, change.seq, change.deleted, own, record])?;
            affected.add(&change.kind, change.id);
        }
        let last = page.changes.last().map_or(room.base_seq, |change| change.seq);
        let reached = if page.has_more { last } else { page.head_seq };
        tx.execute(
            "UPDATE kitrooms SET epoch = ?2, cursor = ?3, base_seq = max(base_seq, ?4) WHERE id = ?1",
            params![kitroom, page.epoch, page.next_cursor, reached],
        )?;
        settle(&tx, kitroom, &mut affected)?;
        rebase(&tx, kitroom, affected, account, replica)?;
        // Sums over many records wait for the last page; whoever reads in between brings them up to date.
        if !page.has_more {
            drain::drain(&tx, kitroom)?;
        }
        tx.commit()?;
        Ok(applied)
    }
}

/// The service is not the one that this device knew.
#[must_use]
pub fn epoch_changed(name: &str) -> Error {
    Error::refused(format!("the service's copy of {name} is not the one that this device knows"))
        .because("it was restored from a backup or copied, so changes may be missing there")
        .hint("nothing was changed on this device; ask whoever runs the service before you go on")
}
