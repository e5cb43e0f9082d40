//! What two seasons say beside the split: race totals, and the same things one by one.

use super::composition::Composition;
use super::split::Split;
use crate::no_estimate::NoEstimate;
use crate::trends::{paired_t, signed_rank, welch};
use crate::wire::ledger::{PairedView, SeasonStatistics, WelchView};

/// Level of the intervals.
const LEVEL: f64 = 0.95;

/// Each set's mass in milligrams, over the things that are in the sums.
pub(super) fn totals_mg(side: &Composition, split: &Split) -> Vec<i64> {
    let mut totals = side.water_by_set.clone();
    for (_, held) in side.items.iter().filter(|(id, _)| !split.left_out.contains(id)) {
        for (set, mg) in &held.by_set {
            totals[*set] += mg;
        }
    }
    totals
}

fn grams(mg: &[i64]) -> Vec<f64> {
    mg.iter().map(|mg| *mg as f64 / 1000.0).collect()
}

/// Welch's test of the race totals, and the paired tests of the things in both, each or the reason why not.
pub(super) fn statistics(before: &Composition, after: &Composition, split: &Split) -> SeasonStatistics {
    let totals = (grams(&totals_mg(before, split)), grams(&totals_mg(after, split)));
    let (totals, why_no_totals) = match welch(&totals.1, &totals.0, LEVEL) {
        Ok(found) => (
            Some(WelchView {
                difference_g: found.difference,
                low_g: found.interval.low,
                high_g: found.interval.high,
                level: LEVEL,
                t: found.t,
                dof: found.dof,
                p: found.p,
            }),
            None,
        ),
        Err(NoEstimate::TooFew { needed, .. }) => (
            None,
            Some(format!(
                "no test of the race totals: each side needs {needed} sealed sets or more, and there are {} and {}",
                before.n, after.n
            )),
        ),
        Err(reason) => (None, Some(format!("no test of the race totals: {reason}"))),
    };
    let (mut first, mut second) = (Vec::new(), Vec::new());
    for (id, old) in &before.items {
        if let Some(new) = after.items.get(id)
            && let (Some(old_mg), Some(new_mg)) = (old.mass_mg, new.mass_mg)
        {
            first.push(old_mg as f64 / 1000.0 / old.units as f64);
            second.push(new_mg as f64 / 1000.0 / new.units as f64);
        }
    }
    let (same_things, why_no_same_things) = match paired_t(&second, &first, LEVEL) {
        Ok(found) => {
            let ranks = signed_rank(&second, &first).ok();
            (
                Some(PairedView {
                    n: found.n as u32,
                    difference_g: found.difference,
                    low_g: found.interval.low,
                    high_g: found.interval.high,
                    level: LEVEL,
                    p: found.p,
                    p_signed_rank: ranks.map(|ranks| ranks.p),
                    n_changed: ranks.map_or(0, |ranks| ranks.n as u32),
                }),
                None,
            )
        }
        Err(NoEstimate::TooFew { needed, got, .. }) => (
            None,
            Some(format!(
                "no test of the same things: {needed} or more with known masses must be in both, and there are {got}"
            )),
        ),
        Err(NoEstimate::NoSpread { .. }) => {
            (None, Some("no test of the same things: all changed alike, or none did".to_owned()))
        }
        Err(reason) => (None, Some(format!("no test of the same things: {reason}"))),
    };
    SeasonStatistics { totals, why_no_totals, same_things, why_no_same_things }
}
