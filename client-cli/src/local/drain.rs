//! The stored masses, states and stocks: what a change made stale is recomputed by the pure function, in the same transaction.

use std::collections::{BTreeSet, HashMap, HashSet};

use domain::condition::{Movement, StateEvent, item_state, stock_left};
use domain::kinds::{self, reference_id};
use domain::mass::{
    CheckFact, Evidence, ItemFacts, RepeatSums, ScaleEvidence, SittingEvidence, WeighingFact, item_mass,
    sitting_repeats,
};
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::check_reading::CheckReadingBody;
use domain::wire::mass::ItemMass;
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
use rusqlite::{Connection, OptionalExtension, params};
use uuid::Uuid;

use super::{Store, items, records};
use crate::error::Result;

/// Brings every stale value of a kitroom up to date.
pub(super) fn drain(conn: &Connection, kitroom: Uuid) -> Result<()> {
    let mut items: BTreeSet<Uuid> = take(conn, kitroom, "item")?.into_iter().collect();
    let sittings = take(conn, kitroom, "sitting")?;
    let mut repeats: BTreeSet<Uuid> = take(conn, kitroom, "repeats")?.into_iter().collect();
    for sitting in sittings {
        items.extend(items_weighed(conn, kitroom, "sitting", sitting)?);
        // A check weight that is read twice tells how well the scale repeats, too.
        repeats.insert(sitting);
    }
    let mut scales = HashSet::new();
    for sitting in repeats {
        scales.extend(refresh_repeats(conn, kitroom, sitting)?);
    }
    for scale in scales {
        items.extend(items_weighed(conn, kitroom, "scale", scale)?);
        for (kind, sitting, _) in records::referrers(conn, kitroom, "scale", scale)? {
            if kind == "sitting" {
                items.extend(items_weighed(conn, kitroom, "sitting", sitting)?);
            }
        }
    }
    let mut known = Known { conn, kitroom, evidence: Evidence::default() };
    for item in items {
        known.refresh(item)?;
    }
    for item in take(conn, kitroom, "state")? {
        let entries = naming(conn, kitroom, &kinds::log_entry::KIND, "item_id", ("item", item))?;
        let events: Vec<StateEvent> = entries.iter().filter_map(StateEvent::of).collect();
        items::save_state(conn, kitroom, item, &item_state(&events))?;
    }
    for item in take(conn, kitroom, "stock")? {
        let entries = naming(conn, kitroom, &kinds::stock_entry::KIND, "item_id", ("item", item))?;
        let movements: Vec<Movement> = entries.iter().filter_map(Movement::of).collect();
        items::save_stock(conn, kitroom, item, &stock_left(&movements, None))?;
    }
    Ok(())
}

fn take(conn: &Connection, kitroom: Uuid, what: &str) -> Result<Vec<Uuid>> {
    let mut statement =
        conn.prepare_cached("DELETE FROM dirty WHERE kitroom = ?1 AND what = ?2 RETURNING id")?;
    let ids = statement.query_map(params![kitroom, what], |row| row.get(0))?;
    Ok(ids.collect::<rusqlite::Result<_>>()?)
}

fn items_weighed(conn: &Connection, kitroom: Uuid, kind: &str, id: Uuid) -> Result<Vec<Uuid>> {
    let mut statement = conn.prepare_cached(
        "SELECT DISTINCT item.to_id FROM refs AS by
         JOIN refs AS item ON item.kitroom = by.kitroom AND item.kind = by.kind AND item.id = by.id
         WHERE by.kitroom = ?1 AND by.to_kind = ?2 AND by.to_id = ?3 AND by.kind = 'weighing'
           AND item.field = 'item_id'",
    )?;
    let ids = statement.query_map(params![kitroom, kind, id], |row| row.get(0))?;
    Ok(ids.collect::<rusqlite::Result<_>>()?)
}

/// The records of `kind` that name this one in `field`, in the order of their ids.
fn naming(
    conn: &Connection,
    kitroom: Uuid,
    kind: &'static domain::kinds::Kind,
    field: &str,
    target: (&str, Uuid),
) -> Result<Vec<Stored>> {
    let mut found = Vec::new();
    for (from, id, by) in records::referrers(conn, kitroom, target.0, target.1)? {
        if from == kind.name && by == field {
            found.extend(records::of_view(conn, kitroom, kind, id)?);
        }
    }
    found.sort_by_key(|record| record.id);
    Ok(found)
}

/// Which of these facts are replaced by one that stands.
fn superseded(conn: &Connection, kitroom: Uuid, kind: &str, facts: &[Stored]) -> Result<HashSet<Uuid>> {
    // Facts are named by nothing but what replaces them, and mostly nothing does.
    let mut any = conn.prepare_cached("SELECT 1 FROM refs WHERE kitroom = ?1 AND to_kind = ?2 LIMIT 1")?;
    if !any.exists(params![kitroom, kind])? {
        return Ok(HashSet::new());
    }
    let mut statement = conn.prepare_cached(
        "SELECT 1 FROM refs JOIN view USING (kitroom, kind, id)
         WHERE kitroom = ?1 AND to_kind = ?2 AND to_id = ?3 AND field = 'supersedes_id' AND live = 1",
    )?;
    let mut ids = HashSet::new();
    for fact in facts {
        if statement.exists(params![kitroom, kind, fact.id])? {
            ids.insert(fact.id);
        }
    }
    Ok(ids)
}

fn weighings_naming(
    conn: &Connection,
    kitroom: Uuid,
    field: &str,
    target: (&str, Uuid),
) -> Result<Vec<WeighingFact>> {
    let facts = naming(conn, kitroom, &kinds::weighing::KIND, field, target)?;
    let superseded = superseded(conn, kitroom, kinds::weighing::KIND.name, &facts)?;
    Ok(facts.iter().filter_map(|record| WeighingFact::from_record(record, &superseded)).collect())
}

/// The check readings of a sitting that count.
fn checks(conn: &Connection, kitroom: Uuid, sitting: Uuid) -> Result<Vec<CheckFact>> {
    let kind = &kinds::check_reading::KIND;
    let facts = naming(conn, kitroom, kind, "sitting_id", ("sitting", sitting))?;
    let superseded = superseded(conn, kitroom, kind.name, &facts)?;
    let counting = facts.iter().filter(|r| r.is_live() && !r.time_suspect && !superseded.contains(&r.id));
    Ok(counting
        .filter_map(|record| shape::read::<CheckReadingBody>(&record.body).ok())
        .map(|body| CheckFact::from(&body))
        .collect())
}

/// Recomputes how well the scale repeated in a sitting; answers the scale when that has changed.
fn refresh_repeats(conn: &Connection, kitroom: Uuid, sitting: Uuid) -> Result<Option<Uuid>> {
    let Some(scale) = scale_of(conn, kitroom, sitting)? else { return Ok(None) };
    let weighings = weighings_naming(conn, kitroom, "sitting_id", ("sitting", sitting))?;
    let sums = sitting_repeats(&weighings, &checks(conn, kitroom, sitting)?);
    let mut statement = conn.prepare_cached(
        "SELECT sum_squares, dof FROM sitting_repeats WHERE kitroom = ?1 AND sitting_id = ?2",
    )?;
    let before: Option<(f64, u32)> =
        statement.query_row(params![kitroom, sitting], |row| Ok((row.get(0)?, row.get(1)?))).optional()?;
    let before = before.map_or(RepeatSums::default(), |(sum_squares, dof)| RepeatSums { sum_squares, dof });
    if before == sums {
        return Ok(None);
    }
    conn.prepare_cached("DELETE FROM sitting_repeats WHERE kitroom = ?1 AND sitting_id = ?2")?
        .execute(params![kitroom, sitting])?;
    if sums.dof > 0 {
        conn.prepare_cached(
            "INSERT INTO sitting_repeats (kitroom, scale_id, sitting_id, sum_squares, dof) VALUES (?1, ?2, ?3, ?4, ?5)",
        )?
        .execute(params![kitroom, scale, sitting, sums.sum_squares, sums.dof])?;
    }
    Ok(Some(scale))
}

fn scale_of(conn: &Connection, kitroom: Uuid, sitting: Uuid) -> Result<Option<Uuid>> {
    let record = records::of_view(conn, kitroom, &kinds::sitting::KIND, sitting)?;
    Ok(record.and_then(|record| reference_id(&record.body, "scale_id")))
}

/// The scales and sittings met so far.
struct Known<'a> {
    conn: &'a Connection,
    kitroom: Uuid,
    evidence: Evidence,
}

impl Known<'_> {
    fn refresh(&mut self, item: Uuid) -> Result<()> {
        match self.mass(item, None)? {
            Some(mass) => items::save_mass(self.conn, self.kitroom, item, &mass),
            None => Ok(()),
        }
    }

    /// The mass of an item, from what was observed until then or from all.
    fn mass(&mut self, item: Uuid, until: Option<Timestamp>) -> Result<Option<ItemMass>> {
        let Some(record) = records::of_view(self.conn, self.kitroom, &kinds::item::KIND, item)? else {
            return Ok(None);
        };
        let Some(facts) = ItemFacts::from_record(&record) else { return Ok(None) };
        let mut weighings = weighings_naming(self.conn, self.kitroom, "item_id", ("item", item))?;
        weighings.retain(|fact| until.is_none_or(|until| fact.body.observed_at <= until));
        for fact in &weighings {
            if let Some(sitting) = fact.body.sitting_id {
                self.know_sitting(sitting.into())?;
            }
            if let Some(scale) = fact.body.scale_id {
                self.know_scale(scale.into())?;
            }
        }
        Ok(Some(item_mass(facts, &weighings, &self.evidence)))
    }

    fn know_sitting(&mut self, id: Uuid) -> Result<()> {
        if self.evidence.sittings.contains_key(&id) {
            return Ok(());
        }
        let Some(scale_id) = scale_of(self.conn, self.kitroom, id)? else { return Ok(()) };
        let checks = checks(self.conn, self.kitroom, id)?;
        self.evidence.sittings.insert(id, SittingEvidence { scale_id, checks });
        self.know_scale(scale_id)
    }

    fn know_scale(&mut self, id: Uuid) -> Result<()> {
        if self.evidence.scales.contains_key(&id) {
            return Ok(());
        }
        let Some(record) = records::of_view(self.conn, self.kitroom, &kinds::scale::KIND, id)? else {
            return Ok(());
        };
        let Ok(body) = shape::read::<ScaleBody>(&record.body) else { return Ok(()) };
        let mut statement = self.conn.prepare_cached(
            "SELECT sum_squares, dof FROM sitting_repeats WHERE kitroom = ?1 AND scale_id = ?2 ORDER BY sitting_id",
        )?;
        let sums = statement.query_map(params![self.kitroom, id], |row| {
            Ok(RepeatSums { sum_squares: row.get(0)?, dof: row.get(1)? })
        })?;
        let mut repeats = RepeatSums::default();
        for one in sums {
            repeats = repeats.plus(one?);
        }
        self.evidence.scales.insert(id, ScaleEvidence { resolution_g: body.resolution_g.value(), repeats });
        Ok(())
    }
}

impl Store {
    /// Brings stale masses up to date when an interrupted pull has left some.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub fn freshen(&mut self, kitroom: Uuid) -> Result<()> {
        let stale =
            self.conn.prepare_cached("SELECT 1 FROM dirty WHERE kitroom = ?1 LIMIT 1")?.exists([kitroom])?;
        if stale {
            let tx = self.begin()?;
            drain(&tx, kitroom)?;
            tx.commit()?;
        }
        Ok(())
    }

    /// The mass that an item had by what was observed until then.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn mass_until(&self, kitroom: Uuid, item: Uuid, until: Timestamp) -> Result<Option<ItemMass>> {
        Known { conn: &self.conn, kitroom, evidence: Evidence::default() }.mass(item, Some(until))
    }

    /// Which of these facts are replaced by one that stands.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn replaced(
        &self,
        kitroom: Uuid,
        kind: &'static domain::kinds::Kind,
        facts: &[Stored],
    ) -> Result<HashSet<Uuid>> {
        superseded(&self.conn, kitroom, kind.name, facts)
    }

    /// The items whose stored mass differs from the one computed anew from the whole kitroom; none when all is well.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn masses_out_of_step(&self, kitroom: Uuid) -> Result<Vec<String>> {
        let (weighings, evidence) = self.evidence(kitroom)?;
        let mut by_item: HashMap<Uuid, Vec<WeighingFact>> = HashMap::new();
        for fact in weighings {
            by_item.entry(fact.body.item_id.into()).or_default().push(fact);
        }
        let stored: HashMap<Uuid, items::ItemLine> =
            self.items(kitroom)?.into_iter().map(|line| (line.id, line)).collect();
        let mut differing = Vec::new();
        for record in self.records(kitroom, &kinds::item::KIND)?.iter().filter(|record| record.is_live()) {
            let Some(facts) = ItemFacts::from_record(record) else { continue };
            let weighings = by_item.get(&record.id).map_or(&[][..], Vec::as_slice);
            let mass = item_mass(facts, weighings, &evidence);
            let line = stored.get(&record.id);
            if line.and_then(|line| line.mass.as_ref()) != Some(&mass) {
                differing.push(line.map_or_else(|| record.id.to_string(), |line| line.name.clone()));
            }
        }
        Ok(differing)
    }
}
