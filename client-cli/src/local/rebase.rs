//! View = base with the outbox replayed on top, kept up to date record by record.

use std::collections::{BTreeMap, HashSet};

use domain::kinds::{self, Dirty, Kind};
use domain::sync::op::{Actor, Deciding, OpStatus};
use domain::sync::record::Lookup;
use domain::sync::working::Working;
use domain::wire::problem::Problem;
use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use super::act::{load_for, op};
use super::outbox::{self, OutboxOp};
use super::{kitrooms, records};
use crate::error::Result;

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
    // Every row is put back before any is judged: what a record's change makes stale hangs on others.
    let mut before = Working::new(room.base_seq);
    let known: Vec<(&'static Kind, Uuid)> =
        affected.0.iter().filter_map(|(kind, id)| Some((kinds::kind(kind)?, *id))).collect();
    for (kind, id) in &known {
        records::load(conn, kitroom, &mut before, kind, *id)?;
    }
    let mut working = Working::foreseeing(room.base_seq);
    let mut targets = Vec::new();
    for (kind, id) in &known {
        if let Some(record) = before.get(kind.name, *id) {
            stale.extend((kind.dirties)(record, &before));
        }
        let record = records::of_base(conn, kitroom, kind, *id, replica)?;
        records::uncover(conn, kitroom, kind, *id, record.as_ref())?;
        if let Some(record) = record {
            targets.extend(records::references(kind, &record.body));
            working.load(kind.name, record);
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
            let fits = result.problem.is_none() && result.status != OpStatus::Conflict;
            note_fit(conn, kitroom, result.op_id, fits, result.problem.as_ref())?;
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
    for (kind, id) in &known {
        for (from, source, _) in records::referrers(conn, kitroom, kind.name, *id)? {
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
    for names in settled(conn, kitroom)? {
        if names.iter().any(|(kind, id)| affected.0.contains(&((*kind).to_owned(), *id))) {
            names.into_iter().for_each(|(kind, id)| affected.add(kind, id));
        }
    }
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

/// What each unsettled decision of a conflict touches: the conflict, and the records that it names.
pub(super) fn settled(conn: &Connection, kitroom: Uuid) -> Result<Vec<Vec<(&'static str, Uuid)>>> {
    let mut statement = conn.prepare_cached(
        "SELECT DISTINCT record_id FROM outbox
         WHERE kitroom = ?1 AND action = 'settle' AND state IN ('pending', 'sent', 'acked')",
    )?;
    let ids: Vec<Uuid> =
        statement.query_map([kitroom], |row| row.get(0))?.collect::<rusqlite::Result<_>>()?;
    let kind = &kinds::conflict::KIND;
    ids.into_iter()
        .map(|id| {
            let mut names = vec![(kind.name, id)];
            if let Some(conflict) = records::of_view(conn, kitroom, kind, id)? {
                names.extend(kind.hooks.names.map(|names| names(&conflict.body)).unwrap_or_default());
            }
            Ok(names)
        })
        .collect()
}

fn note_fit(
    conn: &Connection,
    kitroom: Uuid,
    op_id: Uuid,
    fits: bool,
    problem: Option<&Problem>,
) -> Result<()> {
    let text = problem.map(serde_json::to_string).transpose()?;
    conn.prepare_cached("UPDATE outbox SET applies = ?3, problem = ?4 WHERE kitroom = ?1 AND op_id = ?2")?
        .execute(params![kitroom, op_id, fits, text])?;
    Ok(())
}
