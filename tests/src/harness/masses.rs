//! What the masses of a kitroom must be: computed by `domain` from a full pull, as a client does.

use std::collections::BTreeMap;

use domain::mass::{Evidence, ItemFacts, WeighingFact, item_mass};
use domain::sync::canonical::whole_numbers_as_integers;
use domain::wire::sync::Change;
use serde_json::Value;

use super::device::replica_of;

/// The mass of each item that is not deleted, as it should be answered.
///
/// # Panics
/// When a record cannot be read.
#[must_use]
pub fn masses_of(changes: &[Change]) -> BTreeMap<String, Value> {
    let mut records = replica_of(changes);
    let mut take = |kind: &str| records.remove(kind).unwrap_or_default();
    let (items, scales, sittings) = (take("item"), take("scale"), take("sitting"));
    let (checks, weighings) = (take("check_reading"), take("weighing"));
    let evidence = Evidence::of_kitroom(&scales, &sittings, &checks, &weighings);
    let superseded = Evidence::superseded(&weighings);
    let mass = |record| {
        let item: &domain::sync::record::Stored = record;
        let own = weighings.iter().filter_map(|weighing| WeighingFact::from_record(weighing, &superseded));
        let own: Vec<WeighingFact> = own.filter(|fact| fact.body.item_id.uuid() == item.id).collect();
        let facts = ItemFacts::from_record(item).expect("an item");
        let mut mass = serde_json::to_value(item_mass(facts, &own, &evidence)).expect("a mass is JSON");
        whole_numbers_as_integers(&mut mass);
        (item.id.to_string(), mass)
    };
    items.iter().map(mass).collect()
}

/// The derived fields of an item as it was answered.
#[must_use]
pub fn mass_fields(item: &Value) -> Value {
    let fields = item.as_object().into_iter().flatten();
    fields
        .filter(|(name, _)| name.starts_with("mass_") || *name == "last_weighed_at")
        .map(|(name, value)| (name.clone(), value.clone()))
        .collect()
}
