//! One item's life as far as it was seen.

use serde::{Deserialize, Serialize};

use crate::metrology::resolution::positive_or_zero;
use crate::no_estimate::NoEstimate;

/// Events below which nothing is fitted or compared (judgement).
pub const LEAST_EVENTS: usize = 5;

/// Events below which a result carries a warning (judgement).
pub(crate) const FEW_EVENTS: usize = 10;

/// From when to when an item was watched, and how that ended.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct ItemLife {
    /// Age (or hours of use) at which watching began; 0 for an item bought new.
    pub entry: f64,
    /// Age at which watching ended; above `entry`.
    pub exit: f64,
    /// Retired for cause then; otherwise still good when last seen.
    pub failed: bool,
}

impl ItemLife {
    /// An item watched from new.
    #[must_use]
    pub fn new(exit: f64, failed: bool) -> Self {
        Self { entry: 0.0, exit, failed }
    }
}

/// Checks all lives and counts the events.
pub(crate) fn count_events(lives: &[ItemLife]) -> Result<usize, NoEstimate> {
    if lives.is_empty() {
        return Err(NoEstimate::TooFew { what: "items", needed: 1, got: 0 });
    }
    for life in lives {
        positive_or_zero("the age at entry", life.entry)?;
        positive_or_zero("the age at exit", life.exit)?;
        if life.exit <= life.entry {
            return Err(NoEstimate::Unordered { what: "ages at entry and exit" });
        }
    }
    Ok(lives.iter().filter(|life| life.failed).count())
}

/// As [`count_events`], refusing below [`LEAST_EVENTS`].
pub(crate) fn enough_events(lives: &[ItemLife]) -> Result<usize, NoEstimate> {
    let events = count_events(lives)?;
    if events == 0 {
        return Err(NoEstimate::AllCensored);
    }
    if events < LEAST_EVENTS {
        return Err(NoEstimate::TooFew { what: "retirements for cause", needed: LEAST_EVENTS, got: events });
    }
    Ok(events)
}

/// The distinct ages at which an item failed, in order, with the number that failed and the number at risk just before.
///
/// At risk is who entered before and had not left before; an item censored at the age of a failure is still at risk there.
pub(crate) fn risk_table(lives: &[ItemLife]) -> Vec<RiskRow> {
    let mut entries: Vec<f64> = lives.iter().map(|life| life.entry).collect();
    let mut exits: Vec<f64> = lives.iter().map(|life| life.exit).collect();
    let mut failures: Vec<f64> = lives.iter().filter(|life| life.failed).map(|life| life.exit).collect();
    for list in [&mut entries, &mut exits, &mut failures] {
        list.sort_by(f64::total_cmp);
    }
    let mut rows: Vec<RiskRow> = Vec::new();
    for age in failures {
        match rows.last_mut() {
            Some(row) if row.age == age => row.events += 1,
            _ => {
                let entered = entries.partition_point(|entry| *entry < age);
                let left = exits.partition_point(|exit| *exit < age);
                rows.push(RiskRow { age, events: 1, at_risk: entered - left });
            }
        }
    }
    rows
}

/// One age at which items failed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct RiskRow {
    pub age: f64,
    pub events: usize,
    pub at_risk: usize,
}
