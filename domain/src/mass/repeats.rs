//! How well a scale repeats: the same thing put on it again in the same sitting.

use std::collections::BTreeMap;

use serde::Serialize;

use super::evidence::{CheckFact, WeighingFact};
use crate::wire::weighing::{Fill, Wetness};

/// Sums from which a pooled repeat standard deviation comes: s^2 = `sum_squares` / `dof`.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize)]
pub struct RepeatSums {
    /// Sum of squared deviations from each group's mean, in g^2.
    pub sum_squares: f64,
    /// Degrees of freedom: readings less groups.
    pub dof: u32,
}

impl RepeatSums {
    /// Both together.
    #[must_use]
    pub fn plus(self, other: Self) -> Self {
        Self { sum_squares: self.sum_squares + other.sum_squares, dof: self.dof.saturating_add(other.dof) }
    }

    /// The pooled variance s^2 in g^2; 0 without repeats, since the resolution has its own term.
    #[must_use]
    pub fn variance(self) -> f64 {
        if self.dof == 0 { 0.0 } else { self.sum_squares / f64::from(self.dof) }
    }
}

/// The repeats of one sitting: weighings of the same item in the same condition, and readings of the same check
/// weight. A reading of `n` lifts has a variance of s^2 / n and counts with that weight.
#[must_use]
pub fn sitting_repeats(weighings: &[WeighingFact], checks: &[CheckFact]) -> RepeatSums {
    let mut groups: BTreeMap<String, Vec<(f64, f64)>> = BTreeMap::new();
    for fact in weighings.iter().filter(|fact| !fact.set_aside) {
        let body = &fact.body;
        // A part-full vessel or a wet shell differs from reading to reading by more than the scale.
        if body.wetness.is_some_and(|wetness| wetness != Wetness::Dry) || body.fill == Some(Fill::Part) {
            continue;
        }
        let load = body.net_g() * fact.units();
        let key = format!("i {} {} {:?}", body.item_id, fact.units(), body.fill.unwrap_or(Fill::Empty));
        groups.entry(key).or_default().push((load, fact.lifts()));
    }
    for check in checks {
        groups
            .entry(format!("w {}", check.weight_name))
            .or_default()
            .push((check.reading_g - check.known_g, 1.0));
    }
    let mut sums = RepeatSums::default();
    for mut readings in groups.into_values().filter(|readings| readings.len() > 1) {
        readings.sort_by(|a, b| a.partial_cmp(b).unwrap_or(std::cmp::Ordering::Equal));
        let weight: f64 = readings.iter().map(|(_, lifts)| lifts).sum();
        let mean = readings.iter().map(|(value, lifts)| value * lifts).sum::<f64>() / weight;
        let squares = readings.iter().map(|(value, lifts)| lifts * (value - mean).powi(2)).sum();
        sums = sums.plus(RepeatSums { sum_squares: squares, dof: readings.len() as u32 - 1 });
    }
    sums
}
