//! What masses rest on, read anew: the stored masses are those of now, while a trend or a mass of the past needs the
//! weighings themselves.

use std::collections::HashMap;

use diesel::sql_types::{Array, Uuid as SqlUuid};
use diesel_async::AsyncPgConnection;
use domain::mass::{Evidence, ItemFacts, WeighingFact, item_mass};
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::mass::ItemMass;
use uuid::Uuid;

use super::records::gathered::{Gathered, NONE, begin, part};
use crate::platform::error::ApiError;

/// The weighings of some items, and everything else that was weighed in sittings at the same scales: how well a scale
/// repeats, and how it moves, shows in all of it.
#[derive(Debug, Default)]
pub struct Weighed {
    scales: Vec<Stored>,
    sittings: Vec<Stored>,
    checks: Vec<Stored>,
    weighings: Vec<Stored>,
}

/// Reads it.
///
/// # Errors
/// As the database fails.
pub async fn load(conn: &mut AsyncPgConnection, kitroom: Uuid, items: &[Uuid]) -> Result<Weighed, ApiError> {
    let statement = begin("with w as (select id, sitting_id, scale_id from weighings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and item_id = any(")
        .bind::<Array<SqlUuid>, _>(items.to_vec())
        .sql(")), c as (select scale_id as id from w where scale_id is not null union select scale_id from sittings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and id in (select sitting_id from w)), s as (select * from sittings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and scale_id in (select id from c)), v as (select id from w union select id from weighings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        // A fact that replaces one of these may be of another item or sitting.
        .sql(" and sitting_id in (select id from s)), x as (select id from v union select id from weighings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and supersedes_id in (select id from v)), k as (select id from check_readings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and sitting_id in (select id from s)), y as (select id from k union select id from check_readings where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and supersedes_id in (select id from k))");
    let statement =
        part(statement, true, "scale", NONE, "scales r", kitroom).sql(" and r.id in (select id from c)");
    let statement = part(statement, false, "sitting", NONE, "s r", kitroom);
    let statement = part(statement, false, "check_reading", NONE, "check_readings r", kitroom)
        .sql(" and r.id in (select id from y)");
    let statement = part(statement, false, "weighing", NONE, "weighings r", kitroom)
        .sql(" and r.id in (select id from x)");
    let gathered = Gathered::load(conn, statement).await?;
    Ok(Weighed {
        scales: gathered.stored("scale")?,
        sittings: gathered.stored("sitting")?,
        checks: gathered.stored("check_reading")?,
        weighings: gathered.stored("weighing")?,
    })
}

fn observed_by(record: &Stored, as_of: Timestamp) -> bool {
    let at = record.body.get("observed_at").and_then(|at| at.as_str()).and_then(|at| at.parse().ok());
    at.is_some_and(|at: Timestamp| at <= as_of)
}

impl Weighed {
    /// Only what was observed by then.
    #[must_use]
    pub fn until(mut self, as_of: Timestamp) -> Self {
        self.checks.retain(|record| observed_by(record, as_of));
        self.weighings.retain(|record| observed_by(record, as_of));
        self
    }

    /// The scales and sittings, as computations take them.
    #[must_use]
    pub fn evidence(&self) -> Evidence {
        Evidence::of_kitroom(&self.scales, &self.sittings, &self.checks, &self.weighings)
    }

    /// The weighings, as computations take them.
    #[must_use]
    pub fn facts(&self) -> Vec<WeighingFact> {
        let replaced = Evidence::superseded(&self.weighings);
        self.weighings.iter().filter_map(|record| WeighingFact::from_record(record, &replaced)).collect()
    }

    /// The masses of these items.
    #[must_use]
    pub fn masses(&self, items: &[Stored]) -> HashMap<Uuid, ItemMass> {
        let evidence = self.evidence();
        let mut by_item: HashMap<Uuid, Vec<WeighingFact>> = HashMap::new();
        for fact in self.facts() {
            by_item.entry(fact.body.item_id.into()).or_default().push(fact);
        }
        let mass = |item: &Stored| {
            let weighings = by_item.get(&item.id).map_or(&[][..], Vec::as_slice);
            Some((item.id, item_mass(ItemFacts::from_record(item)?, weighings, &evidence)))
        };
        items.iter().filter_map(mass).collect()
    }
}
