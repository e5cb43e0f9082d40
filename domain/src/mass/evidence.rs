//! What a mass is computed from.

use std::collections::{HashMap, HashSet};

use uuid::Uuid;

use super::repeats::{RepeatSums, sitting_repeats};
use crate::sync::record::Stored;
use crate::time::Timestamp;
use crate::units::MassMg;
use crate::wire::check_reading::CheckReadingBody;
use crate::wire::item::{ItemBody, ItemKind};
use crate::wire::scale::ScaleBody;
use crate::wire::shape;
use crate::wire::sitting::SittingBody;
use crate::wire::weighing::{Fill, WeighingBody, Wetness};

/// What the mass of an item hangs on besides its weighings.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ItemFacts {
    /// Its kind: a vessel counts only when it was weighed empty.
    pub kind: ItemKind,
    /// What its label says.
    pub label_mass: Option<MassMg>,
}

impl ItemFacts {
    /// From a stored item.
    #[must_use]
    pub fn from_record(record: &Stored) -> Option<Self> {
        let body: ItemBody = shape::read(&record.body).ok()?;
        Some(Self { kind: body.kind, label_mass: body.label_mass_g })
    }
}

/// A weighing, with what is known of it beyond its body.
#[derive(Debug, Clone, PartialEq)]
pub struct WeighingFact {
    /// Its id.
    pub id: Uuid,
    /// Its body.
    pub body: WeighingBody,
    /// Whether it is voided, superseded, or its time is suspect, so that no calculation uses it.
    pub set_aside: bool,
}

impl WeighingFact {
    /// From a stored weighing; `superseded` holds the ids that a fact not voided replaces.
    #[must_use]
    pub fn from_record(record: &Stored, superseded: &HashSet<Uuid>) -> Option<Self> {
        let set_aside = !record.is_live() || record.time_suspect || superseded.contains(&record.id);
        Some(Self { id: record.id, body: shape::read(&record.body).ok()?, set_aside })
    }

    /// Whether it makes the item's mass: not set aside, dry, and a vessel empty.
    #[must_use]
    pub fn is_usable(&self, kind: ItemKind) -> bool {
        !self.set_aside
            && self.body.wetness.is_none_or(|wetness| wetness == Wetness::Dry)
            && (!kind.is_vessel() || self.body.fill.is_none_or(|fill| fill == Fill::Empty))
    }

    pub(super) fn units(&self) -> f64 {
        f64::from(self.body.units.unwrap_or(1).max(1))
    }

    pub(super) fn lifts(&self) -> f64 {
        f64::from(self.body.lifts.unwrap_or(1).max(1))
    }
}

/// A check reading that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct CheckFact {
    /// Which weight.
    pub weight_name: String,
    /// Its known mass, in grams.
    pub known_g: f64,
    /// The standard uncertainty of that, in grams.
    pub known_u_g: f64,
    /// What the scale showed, in grams.
    pub reading_g: f64,
}

impl From<&CheckReadingBody> for CheckFact {
    fn from(body: &CheckReadingBody) -> Self {
        Self {
            weight_name: body.weight_name.as_str().to_owned(),
            known_g: body.known_g.value(),
            known_u_g: body.known_u_g.value(),
            reading_g: body.reading_g.value(),
        }
    }
}

/// A sitting: its scale and its check readings.
#[derive(Debug, Clone, PartialEq)]
pub struct SittingEvidence {
    /// The scale.
    pub scale_id: Uuid,
    /// The check readings that count.
    pub checks: Vec<CheckFact>,
}

/// A scale: its step, and how well it repeats.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ScaleEvidence {
    /// The resolution d, in grams.
    pub resolution_g: f64,
    /// Pooled from all repeats on it.
    pub repeats: RepeatSums,
}

/// The scales and the sittings that a set of weighings was taken on.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Evidence {
    /// By scale id.
    pub scales: HashMap<Uuid, ScaleEvidence>,
    /// By sitting id.
    pub sittings: HashMap<Uuid, SittingEvidence>,
}

impl Evidence {
    /// The ids that facts still standing replace. A fact that is voided replaces nothing.
    pub fn superseded<'a>(facts: impl IntoIterator<Item = &'a Stored>) -> HashSet<Uuid> {
        let standing = facts.into_iter().filter(|fact| fact.voided.is_none());
        standing.filter_map(|fact| crate::kinds::reference_id(&fact.body, "supersedes_id")).collect()
    }

    /// From all scales, sittings, check readings and weighings of a kitroom, as a replica holds them.
    #[must_use]
    pub fn of_kitroom(
        scales: &[Stored],
        sittings: &[Stored],
        checks: &[Stored],
        weighings: &[Stored],
    ) -> Self {
        let mut evidence = Self::default();
        for record in scales {
            if let Ok(body) = shape::read::<ScaleBody>(&record.body) {
                let resolution_g = body.resolution_g.value();
                let repeats = RepeatSums::default();
                evidence.scales.insert(record.id, ScaleEvidence { resolution_g, repeats });
            }
        }
        for record in sittings {
            if let Ok(body) = shape::read::<SittingBody>(&record.body) {
                let sitting = SittingEvidence { scale_id: body.scale_id.into(), checks: Vec::new() };
                evidence.sittings.insert(record.id, sitting);
            }
        }
        let superseded = Self::superseded(checks);
        for record in checks.iter().filter(|r| r.is_live() && !r.time_suspect && !superseded.contains(&r.id))
        {
            if let Ok(body) = shape::read::<CheckReadingBody>(&record.body)
                && let Some(sitting) = evidence.sittings.get_mut(&body.sitting_id.uuid())
            {
                sitting.checks.push(CheckFact::from(&body));
            }
        }
        let superseded = Self::superseded(weighings);
        let mut by_sitting: HashMap<Uuid, Vec<WeighingFact>> = HashMap::new();
        for fact in weighings.iter().filter_map(|record| WeighingFact::from_record(record, &superseded)) {
            if let Some(sitting) = fact.body.sitting_id {
                by_sitting.entry(sitting.into()).or_default().push(fact);
            }
        }
        // In the order of the ids, so that sums of the same kitroom are the same to the last bit everywhere.
        let mut ids: Vec<Uuid> = evidence.sittings.keys().copied().collect();
        ids.sort_unstable();
        for id in ids {
            let sitting = &evidence.sittings[&id];
            let weighings = by_sitting.get(&id).map_or(&[][..], Vec::as_slice);
            let sums = sitting_repeats(weighings, &sitting.checks);
            if let Some(scale) = evidence.scales.get_mut(&sitting.scale_id) {
                scale.repeats = scale.repeats.plus(sums);
            }
        }
        evidence
    }

    /// When any weighing that is not set aside was observed last.
    #[must_use]
    pub fn last_observed(weighings: &[WeighingFact]) -> Option<Timestamp> {
        weighings.iter().filter(|fact| !fact.set_aside).map(|fact| fact.body.observed_at).max()
    }
}
