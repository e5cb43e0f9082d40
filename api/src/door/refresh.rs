//! The stored projections: recomputed by `domain`'s pure functions for what a batch made stale, in one load and one
//! update, inside the batch's transaction.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use diesel::sql_types::{Array, BigInt, Double, Integer, Jsonb, Text, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::condition::{Movement, SealFact, StateEvent, item_state, loadout_state, stock_left};
use domain::kinds::{self, Dirty, Kind, SUPERSEDES, reference_id};
use domain::mass::{
    CheckFact, Evidence, ItemFacts, RepeatSums, ScaleEvidence, SittingEvidence, WeighingFact, item_mass,
    sitting_repeats,
};
use domain::sync::canonical::whole_numbers_as_integers;
use domain::sync::record::{Lookup, Stored};
use domain::sync::working::Working;
use domain::wire::check_reading::CheckReadingBody;
use domain::wire::log_entry::LogEvent;
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
use futures_util::future::try_join;
use serde_json::Value;
use uuid::Uuid;

use super::records;
use crate::platform::error::ApiError;
use crate::platform::sql::sql;

/// What a batch made stale.
#[derive(Debug, Default)]
pub struct Stale {
    items: Vec<Uuid>,
    offsets: Vec<Uuid>,
    repeats: Vec<Uuid>,
    states: Vec<Uuid>,
    stocks: Vec<Uuid>,
    loadouts: Vec<Uuid>,
}

impl Stale {
    /// By the batch as it was decided.
    #[must_use]
    pub fn of(working: &Working) -> Self {
        let mut stale = Self::default();
        for dirt in working.dirty() {
            let (ids, id) = match dirt {
                Dirty::Item(id) => (&mut stale.items, id),
                Dirty::Sitting(id) => (&mut stale.offsets, id),
                Dirty::Repeats(id) => (&mut stale.repeats, id),
                Dirty::State(id) => (&mut stale.states, id),
                Dirty::Stock(id) => (&mut stale.stocks, id),
                Dirty::Loadout(id) => (&mut stale.loadouts, id),
            };
            ids.push(id);
        }
        stale
    }

    /// The weighings of the items, read before or after the batch is written: what it changes is laid over them.
    ///
    /// # Errors
    /// As the database fails.
    pub async fn weighings(&self, conn: &AsyncPgConnection, kitroom: Uuid) -> Result<Weighings, ApiError> {
        Kitroom { conn, id: kitroom }.weighings(&self.items).await
    }

    /// Recomputes it, when the batch is written.
    ///
    /// # Errors
    /// As the database fails.
    pub async fn refresh(
        self,
        conn: &AsyncPgConnection,
        kitroom: Uuid,
        working: &Working,
        mut weighings: Weighings,
    ) -> Result<(), ApiError> {
        let kitroom = Kitroom { conn, id: kitroom };
        let mut items: BTreeSet<Uuid> = self.items.into_iter().collect();
        let mut more = BTreeSet::new();
        if !self.offsets.is_empty() {
            more.extend(items_by(conn, kitroom.id, "sitting_id", &self.offsets).await?);
        }
        if !self.repeats.is_empty() {
            let moved = kitroom.refresh_repeats(&self.repeats).await?;
            if !moved.is_empty() {
                more.extend(kitroom.items_on_scales(&moved).await?);
            }
        }
        more.retain(|id| items.insert(*id));
        if !more.is_empty() {
            weighings.add(kitroom.weighings(&more.into_iter().collect::<Vec<_>>()).await?);
        }
        if !items.is_empty() {
            kitroom.refresh_masses(&items.into_iter().collect::<Vec<_>>(), &weighings, working).await?;
        }
        kitroom.refresh_states(&self.states).await?;
        kitroom.refresh_stocks(&self.stocks).await?;
        kitroom.refresh_loadouts(&self.loadouts).await
    }
}

/// Weighings of some items, as they are stored.
#[derive(Debug, Default)]
pub struct Weighings {
    stored: Vec<Stored>,
    /// Those that stand and replace one of them, with the one that they replace.
    replacing: Vec<(Uuid, Uuid)>,
}

impl Weighings {
    fn add(&mut self, more: Self) {
        self.stored.extend(more.stored);
        self.replacing.extend(more.replacing);
    }

    /// As they stand after the batch, by their item.
    fn after(&self, items: &[Uuid], working: &Working) -> BTreeMap<Uuid, Vec<WeighingFact>> {
        let changed: HashMap<Uuid, &Stored> =
            working.changed("weighing").into_iter().map(|record| (record.id, record)).collect();
        let is_as_stored = |id: &Uuid| !changed.contains_key(id);
        let stored = self.replacing.iter().filter(|(by, _)| is_as_stored(by)).map(|(_, replaced)| *replaced);
        let new = changed.values().filter(|record| record.is_live());
        let new = new.filter_map(|record| reference_id(&record.body, SUPERSEDES));
        let superseded: HashSet<Uuid> = stored.chain(new).collect();

        let items: HashSet<Uuid> = items.iter().copied().collect();
        let stored = self.stored.iter().filter(|record| is_as_stored(&record.id));
        let mut by_item: BTreeMap<Uuid, Vec<WeighingFact>> = BTreeMap::new();
        for record in stored.chain(changed.values().copied()) {
            let Some(fact) = WeighingFact::from_record(record, &superseded) else { continue };
            let item = fact.body.item_id.uuid();
            if items.contains(&item) {
                by_item.entry(item).or_default().push(fact);
            }
        }
        by_item
    }
}

/// A value that is derived for a record, as it is stored.
fn derived<T: serde::Serialize>(value: &T) -> Result<Value, ApiError> {
    let mut value = serde_json::to_value(value)
        .map_err(|error| ApiError::internal("a derived value cannot be written", error))?;
    whole_numbers_as_integers(&mut value);
    Ok(value)
}

/// Records by the id in one of their fields.
fn by_field<T>(
    records: &[Stored],
    field: &str,
    read: impl Fn(&Stored) -> Option<T>,
) -> HashMap<Uuid, Vec<T>> {
    let mut by_field: HashMap<Uuid, Vec<T>> = HashMap::new();
    for record in records {
        if let (Some(id), Some(value)) = (reference_id(&record.body, field), read(record)) {
            by_field.entry(id).or_default().push(value);
        }
    }
    by_field
}

fn kind(name: &'static str) -> Result<&'static Kind, ApiError> {
    kinds::kind(name).ok_or_else(|| ApiError::internal("a kind is missing", name))
}

async fn items_by(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    column: &'static str,
    ids: &[Uuid],
) -> Result<Vec<Uuid>, ApiError> {
    let rows: Vec<(Uuid,)> = sql::<(SqlUuid,)>("select distinct item_id from weighings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and ")
        .sql(column)
        .sql(" = any(")
        .bind::<Array<SqlUuid>, _>(ids)
        .sql(")")
        .load(&mut conn)
        .await?;
    Ok(rows.into_iter().map(|(id,)| id).collect())
}

struct Kitroom<'a> {
    conn: &'a AsyncPgConnection,
    id: Uuid,
}

impl Kitroom<'_> {
    async fn find(&self, name: &'static str, ids: &[Uuid]) -> Result<Vec<Stored>, ApiError> {
        if ids.is_empty() {
            Ok(Vec::new())
        } else {
            records::find(self.conn, self.id, kind(name)?, ids).await
        }
    }

    async fn find_by(
        &self,
        name: &'static str,
        column: &'static str,
        ids: &[Uuid],
    ) -> Result<Vec<Stored>, ApiError> {
        if ids.is_empty() {
            return Ok(Vec::new());
        }
        let statement = records::select(kind(name)?, self.id)
            .sql(" and r.")
            .sql(column)
            .sql(" = any(")
            .bind::<Array<SqlUuid>, _>(ids)
            .sql(")");
        records::load(self.conn, statement).await
    }

    /// Which of these facts a fact that still stands replaces.
    async fn superseded(&self, name: &'static str, facts: &[Stored]) -> Result<HashSet<Uuid>, ApiError> {
        let ids: Vec<Uuid> = facts.iter().map(|fact| fact.id).collect();
        if ids.is_empty() {
            return Ok(HashSet::new());
        }
        let rows: Vec<(Uuid,)> = sql::<(SqlUuid,)>("select supersedes_id from ")
            .sql(kind(name)?.table)
            .sql(" where kitroom_id = ")
            .bind::<SqlUuid, _>(self.id)
            .sql(" and supersedes_id = any(")
            .bind::<Array<SqlUuid>, _>(ids)
            .sql(") and voided is null")
            .load(&mut &*self.conn)
            .await?;
        Ok(rows.into_iter().map(|(id,)| id).collect())
    }

    async fn weighings(&self, items: &[Uuid]) -> Result<Weighings, ApiError> {
        if items.is_empty() {
            return Ok(Weighings::default());
        }
        let stored = self.find_by("weighing", "item_id", items);
        let (stored, replacing) = try_join(stored, self.replacing("weighing", items)).await?;
        Ok(Weighings { stored, replacing })
    }

    /// The facts that stand and replace one about some items, with the one that they replace.
    async fn replacing(&self, name: &'static str, items: &[Uuid]) -> Result<Vec<(Uuid, Uuid)>, ApiError> {
        let mut conn = self.conn;
        let table = kind(name)?.table;
        let rows = sql::<(SqlUuid, SqlUuid)>("select s.id, o.id from ")
            .sql(table)
            .sql(" s join ")
            .sql(table)
            .sql(" o on o.kitroom_id = s.kitroom_id and o.id = s.supersedes_id where s.kitroom_id = ")
            .bind::<SqlUuid, _>(self.id)
            .sql(" and s.supersedes_id is not null and s.voided is null and o.item_id = any(")
            .bind::<Array<SqlUuid>, _>(items)
            .sql(")")
            .load(&mut conn)
            .await?;
        Ok(rows)
    }

    async fn sitting_evidence(&self, ids: &[Uuid]) -> Result<HashMap<Uuid, SittingEvidence>, ApiError> {
        let mut sittings = HashMap::new();
        for record in self.find("sitting", ids).await? {
            if let Some(scale_id) = reference_id(&record.body, "scale_id") {
                sittings.insert(record.id, SittingEvidence { scale_id, checks: Vec::new() });
            }
        }
        let checks = self.find_by("check_reading", "sitting_id", ids).await?;
        let superseded = self.superseded("check_reading", &checks).await?;
        for record in checks.iter().filter(|r| r.is_live() && !r.time_suspect && !superseded.contains(&r.id))
        {
            if let Ok(body) = shape::read::<CheckReadingBody>(&record.body)
                && let Some(sitting) = sittings.get_mut(&body.sitting_id.uuid())
            {
                sitting.checks.push(CheckFact::from(&body));
            }
        }
        Ok(sittings)
    }

    /// Recomputes how the scale repeated in these sittings; answers the scales for which that moved.
    async fn refresh_repeats(&self, sittings: &[Uuid]) -> Result<Vec<Uuid>, ApiError> {
        let weighings = self.find_by("weighing", "sitting_id", sittings).await?;
        let superseded = self.superseded("weighing", &weighings).await?;
        let mut by_sitting: HashMap<Uuid, Vec<WeighingFact>> = HashMap::new();
        for fact in weighings.iter().filter_map(|record| WeighingFact::from_record(record, &superseded)) {
            if let Some(sitting) = fact.body.sitting_id {
                by_sitting.entry(sitting.into()).or_default().push(fact);
            }
        }
        let stored: Vec<(Uuid, f64, i32)> = sql::<(SqlUuid, Double, Integer)>(
            "select sitting_id, sum_squares, dof from sitting_repeats where kitroom_id = ",
        )
        .bind::<SqlUuid, _>(self.id)
        .sql(" and sitting_id = any(")
        .bind::<Array<SqlUuid>, _>(sittings)
        .sql(")")
        .load(&mut &*self.conn)
        .await?;
        let stored: HashMap<Uuid, (f64, i32)> =
            stored.into_iter().map(|(id, sum, dof)| (id, (sum, dof))).collect();
        let (mut ids, mut scales, mut sums, mut dofs) = (vec![], vec![], vec![], vec![]);
        for (id, sitting) in self.sitting_evidence(sittings).await? {
            let facts = by_sitting.get(&id).map_or(&[][..], Vec::as_slice);
            let now = sitting_repeats(facts, &sitting.checks);
            let dof = now.dof.cast_signed();
            if stored.get(&id).copied().unwrap_or((0.0, 0)) != (now.sum_squares, dof) {
                ids.push(id);
                scales.push(sitting.scale_id);
                sums.push(now.sum_squares);
                dofs.push(dof);
            }
        }
        if ids.is_empty() {
            return Ok(Vec::new());
        }
        sql::<()>("insert into sitting_repeats (kitroom_id, sitting_id, scale_id, sum_squares, dof) select ")
            .bind::<SqlUuid, _>(self.id)
            .sql(", * from unnest(")
            .bind::<Array<SqlUuid>, _>(ids)
            .sql(", ")
            .bind::<Array<SqlUuid>, _>(&scales)
            .sql(", ")
            .bind::<Array<Double>, _>(sums)
            .sql(", ")
            .bind::<Array<Integer>, _>(dofs)
            .sql(
                ") on conflict (kitroom_id, sitting_id) do update set scale_id = excluded.scale_id, \
                 sum_squares = excluded.sum_squares, dof = excluded.dof",
            )
            .execute(&mut &*self.conn)
            .await?;
        Ok(scales)
    }

    async fn items_on_scales(&self, scales: &[Uuid]) -> Result<Vec<Uuid>, ApiError> {
        let sittings: Vec<Uuid> = self
            .find_by("sitting", "scale_id", scales)
            .await?
            .into_iter()
            .map(|sitting| sitting.id)
            .collect();
        let mut items = items_by(self.conn, self.id, "sitting_id", &sittings).await?;
        items.extend(items_by(self.conn, self.id, "scale_id", scales).await?);
        Ok(items)
    }

    async fn scale_evidence(&self, ids: &[Uuid]) -> Result<HashMap<Uuid, ScaleEvidence>, ApiError> {
        let mut scales = HashMap::new();
        for record in self.find("scale", ids).await? {
            if let Ok(body) = shape::read::<ScaleBody>(&record.body) {
                let resolution_g = body.resolution_g.value();
                scales.insert(record.id, ScaleEvidence { resolution_g, repeats: RepeatSums::default() });
            }
        }
        if scales.is_empty() {
            return Ok(scales);
        }
        let rows: Vec<(Uuid, f64, i64)> = sql::<(SqlUuid, Double, BigInt)>(
            "select scale_id, sum_squares, dof::bigint from sitting_repeats where kitroom_id = ",
        )
        .bind::<SqlUuid, _>(self.id)
        .sql(" and scale_id = any(")
        .bind::<Array<SqlUuid>, _>(ids)
        .sql(") order by sitting_id")
        .load(&mut &*self.conn)
        .await?;
        for (scale, sum_squares, dof) in rows {
            if let Some(evidence) = scales.get_mut(&scale) {
                let dof = u32::try_from(dof).unwrap_or(0);
                evidence.repeats = evidence.repeats.plus(RepeatSums { sum_squares, dof });
            }
        }
        Ok(scales)
    }

    async fn refresh_masses(
        &self,
        items: &[Uuid],
        weighings: &Weighings,
        working: &Working,
    ) -> Result<(), ApiError> {
        // Most of them are here already, as they stand after the batch.
        let (here, elsewhere): (Vec<Uuid>, Vec<Uuid>) =
            items.iter().partition(|id| working.holds("item", **id));
        let records = self.find("item", &elsewhere).await?;
        let here = here.iter().filter_map(|id| working.get("item", *id));
        let records: Vec<&Stored> = here.chain(&records).collect();
        let by_item = weighings.after(items, working);
        let (mut sittings, mut scales) = (BTreeSet::new(), BTreeSet::new());
        for fact in by_item.values().flatten() {
            sittings.extend(fact.body.sitting_id.map(domain::ids::SittingId::uuid));
            scales.extend(fact.body.scale_id.map(domain::ids::ScaleId::uuid));
        }
        let sittings = self.sitting_evidence(&sittings.into_iter().collect::<Vec<_>>()).await?;
        scales.extend(sittings.values().map(|sitting| sitting.scale_id));
        let scales = self.scale_evidence(&scales.into_iter().collect::<Vec<_>>()).await?;
        let evidence = Evidence { scales, sittings };
        let (mut ids, mut masses) = (Vec::new(), Vec::new());
        for record in records {
            let Some(facts) = ItemFacts::from_record(record) else { continue };
            let weighings = by_item.get(&record.id).map_or(&[][..], Vec::as_slice);
            let mass = derived(&item_mass(facts, weighings, &evidence))?;
            ids.push(record.id);
            masses.push(mass);
        }
        self.store("item_masses", "item_id", "mass", ids, masses).await
    }

    async fn refresh_states(&self, items: &[Uuid]) -> Result<(), ApiError> {
        if items.is_empty() {
            return Ok(());
        }
        let statement = records::select(kind("log_entry")?, self.id)
            .sql(" and r.item_id = any(")
            .bind::<Array<SqlUuid>, _>(items)
            .sql(") and r.event = any(")
            .bind::<Array<Text>, _>(state_events())
            .sql(")");
        let events = by_field(&records::load(self.conn, statement).await?, "item_id", StateEvent::of);
        let views =
            items.iter().map(|id| derived(&item_state(events.get(id).map_or(&[][..], Vec::as_slice))));
        let views = views.collect::<Result<Vec<Value>, ApiError>>()?;
        self.store("item_states", "item_id", "state", items.to_vec(), views).await
    }

    async fn refresh_stocks(&self, items: &[Uuid]) -> Result<(), ApiError> {
        let entries = self.find_by("stock_entry", "item_id", items).await?;
        let movements = by_field(&entries, "item_id", Movement::of);
        let (ids, views): (Vec<Uuid>, Vec<&Vec<Movement>>) = movements.iter().unzip();
        let views = views.into_iter().map(|movements| derived(&stock_left(movements, None)));
        let views = views.collect::<Result<Vec<Value>, ApiError>>()?;
        self.store("item_stocks", "item_id", "stock", ids, views).await
    }

    async fn refresh_loadouts(&self, loadouts: &[Uuid]) -> Result<(), ApiError> {
        let seals =
            by_field(&self.find_by("seal", "loadout_id", loadouts).await?, "loadout_id", SealFact::of);
        let views =
            loadouts.iter().map(|id| derived(&loadout_state(seals.get(id).map_or(&[][..], Vec::as_slice))));
        let views = views.collect::<Result<Vec<Value>, ApiError>>()?;
        self.store("loadout_states", "loadout_id", "state", loadouts.to_vec(), views).await
    }

    async fn store(
        &self,
        table: &'static str,
        key: &'static str,
        column: &'static str,
        ids: Vec<Uuid>,
        values: Vec<Value>,
    ) -> Result<(), ApiError> {
        if ids.is_empty() {
            return Ok(());
        }
        let statement =
            sql::<()>("insert into ").sql(table).sql(" (kitroom_id, ").sql(key).sql(", ").sql(column);
        let statement = statement
            .sql(") select ")
            .bind::<SqlUuid, _>(self.id)
            .sql(", * from unnest(")
            .bind::<Array<SqlUuid>, _>(ids)
            .sql(", ")
            .bind::<Array<Jsonb>, _>(values)
            .sql(") on conflict (kitroom_id, ")
            .sql(key)
            .sql(") do update set ")
            .sql(column)
            .sql(" = excluded.")
            .sql(column);
        statement.execute(&mut &*self.conn).await?;
        Ok(())
    }
}

/// The names of the events that set a state.
fn state_events() -> Vec<&'static str> {
    LogEvent::ALL.iter().filter(|event| event.sets().is_some()).map(|event| event.name()).collect()
}
