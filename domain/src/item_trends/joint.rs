//! Whether the item moved or the scale: the joint fit of sittings and items, and the scale by its check weights.

use std::collections::{BTreeMap, BTreeSet};

use uuid::Uuid;

use super::mass::YEAR_D;
use crate::mass::{Evidence, ItemFacts, WeighingFact, scale_offset};
use crate::metrology::{AdjustmentModel, Load, SittingReading, adjust};
use crate::no_estimate::NoEstimate;
use crate::time::Timestamp;
use crate::wire::mass_trend::{JointDrift, ScaleMovement};
use crate::wire::weighing::{Fill, Wetness};

/// What lies on the pan: an item in a number of units, or a check weight.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Thing {
    Item(Uuid, u32),
    Weight(String),
}

/// The item's drift in a fit of all sittings together: reading = mass + offset of the sitting + drift of this item by time.
/// The other items are taken as steady.
///
/// # Errors
/// `TooFew` below three sittings with the item; those of [`adjust`].
pub(super) fn joint_drift(
    item: Uuid,
    facts: ItemFacts,
    weighings: &[WeighingFact],
    evidence: &Evidence,
) -> Result<JointDrift, NoEstimate> {
    let counts = |fact: &&WeighingFact| {
        let dry = fact.body.wetness.is_none_or(|wetness| wetness == Wetness::Dry);
        let empty = fact.body.fill.is_none_or(|fill| fill == Fill::Empty);
        let own = fact.body.item_id.uuid() == item;
        if own { fact.is_usable(facts.kind) } else { !fact.set_aside && dry && empty }
    };
    let in_sitting = |fact: &WeighingFact| fact.body.sitting_id.map(|id| id.uuid());
    let used: Vec<&WeighingFact> =
        weighings.iter().filter(counts).filter(|fact| in_sitting(fact).is_some()).collect();
    let own = || used.iter().filter(|fact| fact.body.item_id.uuid() == item);
    // Loads of another number of units are another thing; the drift is of the number that is weighed most.
    let mut by_units: BTreeMap<u32, usize> = BTreeMap::new();
    for fact in own() {
        *by_units.entry(fact.body.units.unwrap_or(1)).or_default() += 1;
    }
    let units = by_units.iter().max_by_key(|(units, n)| (**n, std::cmp::Reverse(**units)));
    let Some((&units, _)) = units else {
        return Err(NoEstimate::TooFew { what: "sittings with the item", needed: 3, got: 0 });
    };
    let key = Thing::Item(item, units);
    let with_item: BTreeSet<Uuid> = own()
        .filter(|fact| fact.body.units.unwrap_or(1) == units)
        .filter_map(|fact| in_sitting(fact))
        .collect();
    if with_item.len() < 3 {
        return Err(NoEstimate::TooFew { what: "sittings with the item", needed: 3, got: with_item.len() });
    }
    let mut started: BTreeMap<Uuid, Timestamp> = BTreeMap::new();
    for fact in &used {
        if let Some(sitting) = in_sitting(fact) {
            let at = started.entry(sitting).or_insert(fact.body.observed_at);
            *at = fact.body.observed_at.min(*at);
        }
    }
    let Some(first) = with_item.iter().filter_map(|id| started.get(id)).min().copied() else {
        return Err(NoEstimate::TooFew { what: "sittings with the item", needed: 3, got: 0 });
    };
    let mut readings = Vec::new();
    let mut others = BTreeSet::new();
    let (mut checks, mut resolution) = (0u32, 0.0f64);
    for fact in &used {
        let Some(sitting) = in_sitting(fact) else { continue };
        let thing = Thing::Item(fact.body.item_id.into(), fact.body.units.unwrap_or(1));
        if thing != key {
            others.insert(thing.clone());
        }
        readings.push(SittingReading {
            sitting,
            load: Load::Item(thing),
            reading_g: fact.body.net_g() * f64::from(fact.body.units.unwrap_or(1).max(1)),
            time: fact.body.observed_at.days_since(first),
        });
    }
    for (sitting, at) in &started {
        let Some(one) = evidence.sittings.get(sitting) else { continue };
        if let Some(scale) = evidence.scales.get(&one.scale_id) {
            resolution = resolution.max(scale.resolution_g);
        }
        for check in &one.checks {
            checks += 1;
            readings.push(SittingReading {
                sitting: *sitting,
                load: Load::Weight {
                    name: Thing::Weight(check.weight_name.clone()),
                    mass_g: check.known_g,
                    u_g: check.known_u_g,
                },
                reading_g: check.reading_g,
                time: at.days_since(first),
            });
        }
    }
    let model = AdjustmentModel {
        resolution_g: (resolution > 0.0).then_some(resolution),
        drifting: vec![key.clone()],
    };
    let fit = adjust(&readings, &model)?;
    let found = fit.items.iter().find(|one| one.item == key);
    let drift = found.and_then(|one| one.drift_g.zip(one.u_drift_g));
    let Some((drift, u)) = drift else { return Err(NoEstimate::Singular { what: "the item and the scale" }) };
    Ok(JointDrift {
        per_year_g: drift * YEAR_D,
        u_g: u * YEAR_D,
        check_readings: checks,
        other_items: others.len() as u32,
        sittings: started.len() as u32,
        dof: fit.dof as u32,
    })
}

/// How the scale of the item's newest sitting moved, by its own check readings: first sitting against last.
pub(super) fn scale_movement(
    own: &[WeighingFact],
    weighings: &[WeighingFact],
    evidence: &Evidence,
) -> Option<ScaleMovement> {
    let newest =
        own.iter().filter(|fact| !fact.set_aside).max_by_key(|fact| (fact.body.observed_at, fact.id))?;
    let sitting_of = |fact: &WeighingFact| fact.body.sitting_id.map(|id| id.uuid());
    let scale_id = sitting_of(newest)
        .and_then(|id| evidence.sittings.get(&id))
        .map(|sitting| sitting.scale_id)
        .or(newest.body.scale_id.map(|id| id.uuid()))?;
    let scale = *evidence.scales.get(&scale_id)?;
    let mut seen: BTreeMap<Uuid, Timestamp> = BTreeMap::new();
    for fact in weighings {
        if let Some(id) = sitting_of(fact) {
            let at = seen.entry(id).or_insert(fact.body.observed_at);
            *at = fact.body.observed_at.min(*at);
        }
    }
    let mut sittings: Vec<(Timestamp, Uuid)> = seen.into_iter().map(|(id, at)| (at, id)).collect();
    sittings.sort_unstable();
    let offsets: Vec<_> = sittings
        .iter()
        .filter_map(|(_, id)| evidence.sittings.get(id))
        .filter(|sitting| sitting.scale_id == scale_id)
        .filter_map(|sitting| scale_offset(&sitting.checks, scale))
        .collect();
    let (first, last) = (offsets.first()?, offsets.last()?);
    if offsets.len() < 2 {
        return None;
    }
    let common = first.u_common_g(last);
    let variance = first.u_g.powi(2) + last.u_g.powi(2) - 2.0 * common.powi(2);
    let u_difference_g = variance.max(0.0).sqrt();
    Some(ScaleMovement {
        first_g: first.offset_g,
        last_g: last.offset_g,
        u_difference_g,
        n: offsets.len() as u32,
        moved: (last.offset_g - first.offset_g).abs() > 1.96 * u_difference_g,
    })
}
