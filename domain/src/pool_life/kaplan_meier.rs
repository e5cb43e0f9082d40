//! The Kaplan-Meier curve with Greenwood's variance and intervals on the log(-log) scale.

use serde::Serialize;

use super::life::{FEW_EVENTS, ItemLife, count_events, risk_table};
use crate::distributions::normal_two_sided;
use crate::metrology::resolution::{confidence, positive_or_zero};
use crate::no_estimate::NoEstimate;

/// The curve from one age on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct KaplanMeierStep {
    /// Age at which items failed.
    pub age: f64,
    /// Items at risk just before.
    pub at_risk: usize,
    /// Items that failed then.
    pub events: usize,
    /// Share that survives this age.
    pub survival: f64,
    /// Greenwood's standard error.
    pub se: f64,
    /// Lower end of the interval.
    pub low: f64,
    /// Upper end of the interval.
    pub high: f64,
}

/// A survival curve.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct KaplanMeier {
    /// Steps in order of age; none when nothing failed.
    pub steps: Vec<KaplanMeierStep>,
    /// Least age by which half have failed; `None` when that is not reached.
    pub median: Option<f64>,
    /// Lower end of the median's interval: least age at which the interval's lower end is at or below one half.
    pub median_low: Option<f64>,
    /// Upper end of the median's interval; `None` when it is not reached.
    pub median_high: Option<f64>,
    /// Level of the intervals.
    pub level: f64,
    /// Items.
    pub n: usize,
    /// Retirements for cause.
    pub events: usize,
    /// Fewer than ten events: the curve is rough.
    pub few_events: bool,
    /// Greatest age watched; the curve says nothing beyond.
    pub watched_to: f64,
}

/// Kaplan-Meier estimate, S = prod(1 - d/n), with Greenwood's variance S^2 sum d/(n(n-d)) and the interval
/// S^exp(+-z se / (S ln S)), that is symmetric in log(-log S).
///
/// Source: Kaplan and Meier (1958), JASA 53:457; Kalbfleisch and Prentice for the interval (from memory).
///
/// # Errors
/// `TooFew` without items; `NotFinite`, `OutOfRange`; `Unordered` for an exit not after its entry.
pub fn kaplan_meier(lives: &[ItemLife], level: f64) -> Result<KaplanMeier, NoEstimate> {
    let events = count_events(lives)?;
    let z = normal_two_sided(confidence(level)?);
    let (mut survival, mut greenwood) = (1.0, 0.0);
    let steps: Vec<KaplanMeierStep> = risk_table(lives)
        .into_iter()
        .map(|row| {
            let (failed, at_risk) = (row.events as f64, row.at_risk as f64);
            let stays = row.at_risk - row.events;
            if stays == 0 || survival == 0.0 {
                survival = 0.0;
            } else {
                survival *= stays as f64 / at_risk;
                greenwood += failed / (at_risk * stays as f64);
            }
            let (se, low, high) = if survival > 0.0 {
                let root = f64::sqrt(greenwood);
                let log = f64::ln(survival);
                let reach = (z * root / log).abs();
                (survival * root, (log * reach.exp()).exp(), (log * (-reach).exp()).exp())
            } else {
                (0.0, 0.0, 0.0)
            };
            KaplanMeierStep {
                age: row.age,
                at_risk: row.at_risk,
                events: row.events,
                survival,
                se,
                low,
                high,
            }
        })
        .collect();
    // Products of exact fractions may end a rounding error above one half.
    let reached = |of: fn(&KaplanMeierStep) -> f64| {
        steps.iter().find(|step| of(step) <= 0.5 * (1.0 + 1e-12)).map(|step| step.age)
    };
    Ok(KaplanMeier {
        median: reached(|step| step.survival),
        median_low: reached(|step| step.low),
        median_high: reached(|step| step.high),
        level,
        n: lives.len(),
        events,
        few_events: events < FEW_EVENTS,
        watched_to: lives.iter().fold(0.0, |most, life| most.max(life.exit)),
        steps,
    })
}

impl KaplanMeier {
    /// Share that survives an age, with its step; 1 before the first failure.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange` for an age below 0 or beyond what was watched.
    pub fn survival_at(&self, age: f64) -> Result<f64, NoEstimate> {
        positive_or_zero("the age", age)?;
        if age > self.watched_to {
            return Err(NoEstimate::OutOfRange {
                what: "the age",
                value: age,
                low: 0.0,
                high: self.watched_to,
            });
        }
        let passed = self.steps.partition_point(|step| step.age <= age);
        Ok(if passed == 0 { 1.0 } else { self.steps[passed - 1].survival })
    }
}
