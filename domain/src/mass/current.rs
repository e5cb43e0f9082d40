//! The current mass of an item.

use std::collections::BTreeMap;

use serde::Serialize;
use uuid::Uuid;

use super::evidence::{CheckFact, Evidence, ItemFacts, ScaleEvidence, WeighingFact};
use crate::metrology::mpe::{AccuracyClass, Verification, mpe_r76_g};
use crate::metrology::weighted_mean::weighted_mean;
use crate::time::Timestamp;
use crate::wire::mass::{Calibration, ItemMass, MassBasis, MassChanged, MassParts, SharedMassPart};

/// How far back from the newest weighing others still count, in days.
const WINDOW_D: f64 = 365.0;
/// A difference beyond this many standard uncertainties is a change (two-sided 95 %).
const COVERAGE: f64 = 1.96;

/// What several sittings, or several items, can have in common, so that it neither averages out nor shows in a difference.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
enum Shared {
    /// The offset found in a sitting: it averages out over sittings, and not over the items of one.
    Sitting(Uuid),
    /// The error of a scale that no check weight was read on in the sitting.
    Scale(Uuid),
    /// The same, of a scale without a name, told by its resolution in micrograms.
    UnnamedScale(i64),
    /// The error of a check weight's known mass.
    Weight(String),
}

impl Shared {
    /// The spelling on the wire: see [`SharedMassPart::source`].
    fn source(&self) -> String {
        match self {
            Shared::Sitting(id) => format!("sitting:{id}"),
            Shared::Scale(id) => format!("scale:{id}"),
            Shared::UnnamedScale(micrograms) => format!("step:{}", *micrograms as f64 / 1e6),
            Shared::Weight(name) => format!("weight:{name}"),
        }
    }
}

/// The mean of one item in one sitting.
#[derive(Debug)]
struct SittingMean {
    newest: (Timestamp, Uuid),
    value: f64,
    own_variance: f64,
    /// The part of `own_variance` that other items of the sitting share, and the sitting.
    offset: Option<(Uuid, f64)>,
    shared: BTreeMap<Shared, f64>,
    n: u32,
    checked: bool,
}

impl SittingMean {
    /// Variance of this one less another: what both share cancels.
    fn difference_variance(&self, other: &Self) -> f64 {
        let keys: std::collections::BTreeSet<&Shared> =
            self.shared.keys().chain(other.shared.keys()).collect();
        let shared: f64 = keys
            .into_iter()
            .map(|key| (self.shared.get(key).unwrap_or(&0.0) - other.shared.get(key).unwrap_or(&0.0)).powi(2))
            .sum();
        self.own_variance + other.own_variance + shared
    }
}

/// The current mass of one unit of an item, from all its weighings.
///
/// Per sitting the mean of the net readings, corrected by the mean offset of the sitting's own check readings. The
/// standard uncertainty is u^2 = 2 d^2/12 + s^2/lifts + `u_cal`^2 (a model in the manner of EURAMET cg-18), where s is the
/// scale's pooled repeat standard deviation and `u_cal` that of the mean offset; without check readings it is twice the
/// maximum permissible error of a class III instrument (OIML R 76) with e = d, over the square root of 3. Rounding does
/// not average out over readings of the same thing, since it repeats too. From the newest sitting back over 365 days,
/// as long as the older differs from the newest by at most 1.96 standard uncertainties of the difference, the sittings'
/// weighted mean is taken; what they share is added once, after the mean and its Birge ratio.
#[must_use]
pub fn item_mass(item: ItemFacts, weighings: &[WeighingFact], evidence: &Evidence) -> ItemMass {
    let last_weighed_at = Evidence::last_observed(weighings);
    let means = sitting_means(item, weighings, evidence);
    let Some(newest) = means.first() else { return unweighed(item, last_weighed_at) };
    let mut used = vec![newest];
    let mut mass_changed = None;
    for older in &means[1..] {
        if newest.newest.0.days_since(older.newest.0) > WINDOW_D {
            break;
        }
        let u_difference = newest.difference_variance(older).sqrt();
        if (older.value - newest.value).abs() > COVERAGE * u_difference {
            mass_changed = Some(MassChanged {
                from_g: rounded(older.value, 3),
                from_at: older.newest.0,
                to_g: rounded(newest.value, 3),
                u_difference_g: rounded(u_difference, 4),
            });
            break;
        }
        used.push(older);
    }
    let values: Vec<(f64, f64)> = used.iter().map(|mean| (mean.value, mean.own_variance.sqrt())).collect();
    // Every value is finite and every uncertainty above zero, since a resolution is; the label stands in otherwise.
    let Ok(mean) = weighted_mean(&values) else { return unweighed(item, last_weighed_at) };
    let weight: f64 = used.iter().map(|mean| 1.0 / mean.own_variance).sum();
    let mut shared: BTreeMap<&Shared, f64> = BTreeMap::new();
    for sitting in &used {
        for (key, u) in &sitting.shared {
            *shared.entry(key).or_default() += u / sitting.own_variance / weight;
        }
    }
    let u = (mean.u.powi(2) + shared.values().map(|u| u.powi(2)).sum::<f64>()).sqrt();
    let parts = parts(&used, mean.u, weight, &shared);
    let checked = used.iter().all(|sitting| sitting.checked);
    ItemMass {
        mass_g: Some(rounded(mean.mean, 3)),
        mass_u_g: Some(rounded(u, 4)),
        mass_parts: Some(parts),
        mass_basis: MassBasis::Measured,
        mass_n: used.iter().map(|sitting| sitting.n).sum(),
        mass_calibration: Some(if checked { Calibration::Checked } else { Calibration::Assumed }),
        mass_birge: if mean.consistent { None } else { mean.birge.map(|ratio| rounded(ratio, 4)) },
        mass_changed,
        last_weighed_at,
    }
}

fn unweighed(item: ItemFacts, last_weighed_at: Option<Timestamp>) -> ItemMass {
    ItemMass {
        mass_g: item.label_mass.map(|mass| mass.value()),
        mass_basis: if item.label_mass.is_some() { MassBasis::Label } else { MassBasis::None },
        last_weighed_at,
        ..ItemMass::unknown()
    }
}

/// What the uncertainty of a mean is made of. The variance of each sitting's mean enters with the square of its weight
/// and of the Birge ratio; the offset's part of it is the sitting's, the rest is the item's own.
fn parts(used: &[&SittingMean], mean_u: f64, weight: f64, shared: &BTreeMap<&Shared, f64>) -> MassParts {
    let widened = mean_u * weight.sqrt();
    let mut own = 0.0;
    let mut parts = Vec::new();
    for sitting in used {
        let share = widened / sitting.own_variance / weight;
        let offset = sitting.offset.map_or(0.0, |(_, variance)| variance);
        own += share.powi(2) * (sitting.own_variance - offset).max(0.0);
        if let Some((id, variance)) = sitting.offset {
            parts.push((Shared::Sitting(id).source(), share * variance.sqrt()));
        }
    }
    parts.extend(shared.iter().map(|(key, u)| (key.source(), *u)));
    parts.sort_by(|a, b| a.0.cmp(&b.0));
    MassParts {
        own_u_g: rounded(own.sqrt(), 6),
        shared: parts
            .into_iter()
            .filter(|(_, u)| *u > 0.0)
            .map(|(source, u)| SharedMassPart { source, u_g: rounded(u, 6) })
            .collect(),
    }
}

/// The mean of an item in one sitting, as a trend reads it.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct SittingMass {
    /// The newest of its weighings.
    pub at: Timestamp,
    /// The mass of one unit in grams, corrected by the sitting's own check readings.
    pub mass_g: f64,
    /// Its standard uncertainty in grams, with what it shares with other sittings.
    pub u_g: f64,
    /// Weighings.
    pub n: u32,
    /// Whether check weights were read.
    pub checked: bool,
}

/// The masses of an item by sitting, oldest first: what [`item_mass`] averages, and beyond what it goes back to.
#[must_use]
pub fn sitting_masses(item: ItemFacts, weighings: &[WeighingFact], evidence: &Evidence) -> Vec<SittingMass> {
    let means = sitting_means(item, weighings, evidence);
    let mass = |mean: &SittingMean| SittingMass {
        at: mean.newest.0,
        mass_g: rounded(mean.value, 3),
        u_g: rounded((mean.own_variance + mean.shared.values().map(|u| u * u).sum::<f64>()).sqrt(), 4),
        n: mean.n,
        checked: mean.checked,
    };
    means.iter().rev().map(mass).collect()
}

/// The means by sitting, newest first.
fn sitting_means(item: ItemFacts, weighings: &[WeighingFact], evidence: &Evidence) -> Vec<SittingMean> {
    let mut groups: BTreeMap<Uuid, Vec<&WeighingFact>> = BTreeMap::new();
    for fact in weighings.iter().filter(|fact| fact.is_usable(item.kind)) {
        // A weighing without a sitting is a sitting of one.
        groups.entry(fact.body.sitting_id.map_or(fact.id, Into::into)).or_default().push(fact);
    }
    let mut means: Vec<SittingMean> =
        groups.into_values().filter_map(|facts| sitting_mean(&facts, evidence)).collect();
    means.sort_by_key(|mean| std::cmp::Reverse(mean.newest));
    means
}

fn sitting_mean(facts: &[&WeighingFact], evidence: &Evidence) -> Option<SittingMean> {
    let first = &facts.first()?.body;
    let sitting = first.sitting_id.and_then(|id| evidence.sittings.get(&id.uuid()));
    let scale_id = sitting.map(|sitting| sitting.scale_id).or(first.scale_id.map(Into::into));
    let scale = scale_id.and_then(|id| evidence.scales.get(&id));
    let resolution = scale.map(|scale| scale.resolution_g).or(first.resolution_g.map(|mass| mass.value()))?;
    let repeat_variance = scale.map_or(0.0, |scale| scale.repeats.variance());
    let checks = sitting.map_or(&[][..], |sitting| sitting.checks.as_slice());
    let n = facts.len() as f64;
    let mean_of =
        |value: &dyn Fn(&WeighingFact) -> f64| facts.iter().map(|fact| value(fact)).sum::<f64>() / n;
    let per_unit = mean_of(&|fact| 1.0 / fact.units());
    let step = resolution * resolution / 12.0;
    let rounding = mean_of(&|fact| {
        let readings = if fact.body.tare_pressed == Some(true) { 3.0 } else { 2.0 };
        (readings * step).sqrt() / fact.units()
    });
    let scatter = mean_of(&|fact| repeat_variance / fact.lifts() / fact.units().powi(2)) / n;
    let mut value = mean_of(&|fact| fact.body.net_g());
    let mut own_variance = rounding.powi(2) + scatter;
    let mut shared = BTreeMap::new();
    let mut common = None;
    if checks.is_empty() {
        let key = match scale_id {
            Some(id) => Shared::Scale(id),
            None => Shared::UnnamedScale((resolution * 1e6).round() as i64),
        };
        shared
            .insert(key, mean_of(&|fact| assumed_u(fact.body.reading_g.value(), resolution) / fact.units()));
    } else {
        let offset = Offset::of(checks, step, repeat_variance);
        value -= offset.mean * per_unit;
        let variance = offset.own_variance * per_unit.powi(2);
        own_variance += variance;
        common = first.sitting_id.map(|id| (id.uuid(), variance));
        shared.extend(offset.shared.into_iter().map(|(name, u)| (Shared::Weight(name), u * per_unit)));
    }
    let newest = facts.iter().map(|fact| (fact.body.observed_at, fact.id)).max()?;
    Some(SittingMean {
        newest,
        value,
        own_variance,
        offset: common,
        shared,
        n: facts.len() as u32,
        checked: !checks.is_empty(),
    })
}

/// Twice the class III maximum permissible error at e = d, as the half-width of a uniform distribution. Beyond the
/// class's range the last band is carried on in proportion to the load.
fn assumed_u(reading_g: f64, resolution_g: f64) -> f64 {
    let load = reading_g.abs();
    let most = 10_000.0 * resolution_g;
    let band = mpe_r76_g(load.min(most), resolution_g, AccuracyClass::III, Verification::InService)
        .unwrap_or(3.0 * resolution_g);
    band * (load / most).max(1.0) / 3f64.sqrt()
}

/// What a scale was off by in one sitting.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScaleOffset {
    /// Mean of reading less known mass, in grams.
    pub offset_g: f64,
    /// Its standard uncertainty, all parts, in grams.
    pub u_g: f64,
    /// The part that each check weight's own uncertainty has in it, in grams.
    pub u_by_weight_g: BTreeMap<String, f64>,
    /// How many readings it comes from.
    pub n: usize,
}

impl ScaleOffset {
    /// What two offsets owe to the same weights, in grams: it cancels in their difference.
    #[must_use]
    pub fn u_common_g(&self, other: &Self) -> f64 {
        let both =
            self.u_by_weight_g.iter().filter_map(|(name, u)| Some(u.min(*other.u_by_weight_g.get(name)?)));
        both.map(|u| u * u).sum::<f64>().sqrt()
    }
}

/// The offset of a scale by its check readings in one sitting: the one that corrects the masses of that sitting. None
/// without check readings.
#[must_use]
pub fn scale_offset(checks: &[CheckFact], scale: ScaleEvidence) -> Option<ScaleOffset> {
    if checks.is_empty() {
        return None;
    }
    let step = scale.resolution_g * scale.resolution_g / 12.0;
    let offset = Offset::of(checks, step, scale.repeats.variance());
    let shared: f64 = offset.shared.values().map(|u| u * u).sum();
    Some(ScaleOffset {
        offset_g: offset.mean,
        u_g: (offset.own_variance + shared).sqrt(),
        u_by_weight_g: offset.shared,
        n: checks.len(),
    })
}

struct Offset {
    mean: f64,
    own_variance: f64,
    shared: BTreeMap<String, f64>,
}

impl Offset {
    /// The mean of reading less known mass, over all check readings of a sitting.
    fn of(checks: &[CheckFact], step: f64, repeat_variance: f64) -> Self {
        let n = checks.len() as f64;
        let mean = checks.iter().map(|check| check.reading_g - check.known_g).sum::<f64>() / n;
        let mut by_weight: BTreeMap<&str, (f64, f64)> = BTreeMap::new();
        for check in checks {
            let (count, known_u) = by_weight.entry(&check.weight_name).or_insert((0.0, 0.0));
            *count += 1.0;
            *known_u = check.known_u_g.max(*known_u);
        }
        let mut own_variance = 0.0;
        let mut shared = BTreeMap::new();
        for (name, (count, known_u)) in by_weight {
            let share = count / n;
            own_variance += share.powi(2) * (2.0 * step + repeat_variance / count);
            shared.insert(name.to_owned(), share * known_u);
        }
        Self { mean, own_variance, shared }
    }
}

fn rounded(value: f64, decimals: i32) -> f64 {
    let scale = 10f64.powi(decimals);
    (value * scale).round() / scale
}
