//! The head on a day.

use super::log::{LogFact, WornUse, worn_until};
use super::series::{TestSeries, test_series};
use crate::no_estimate::NoEstimate;
use crate::time::Timestamp;
use crate::wear::{FittedWear, HEAD_LEVEL, HeadForecast, Prior, UsePath, UsePoint, WearAnswer, fit_wear};
use crate::wire::item::ItemBody;

/// What is known of an item's head on a day.
pub struct HeadOn {
    /// The head that is claimed for the item, mm.
    pub claimed_mm: Option<f64>,
    /// Use as logged when asked, and the rate at which it goes on.
    pub used: WornUse,
    /// Use on the day: what is logged, and until then what the rate of the last 365 days adds.
    pub use_then: UsePoint,
    /// All head tests, by how they were made.
    pub series: Vec<TestSeries>,
    /// Which of the series decides: the one of the lowest lower end, of those whose tests say more than the
    /// assumption does (when there is any).
    pub deciding: Option<usize>,
    /// The model of the deciding series and the head on the day, or why there is none.
    pub estimate: Result<(FittedWear, HeadForecast), NoEstimate>,
}

/// The head of an item on a day `on`, from its log as it was known at `as_of` (facts observed until then; until `on` when
/// that is earlier).
///
/// Without a head test there is no estimate: a label or a prior alone predicts nothing. With one to four exact tests a
/// stated prior about the label's head carries part of the answer ([`Prior::from_label`], [`Prior::without_label`]), from
/// five on a line is fitted.
#[must_use]
pub fn head_on(item: &ItemBody, log: &[LogFact], as_of: Timestamp, on: Timestamp) -> HeadOn {
    let known = as_of.min(on);
    let used = worn_until(log, known);
    let use_then = used.after_days(on.days_since(known));
    let series = test_series(log, known);
    let prior = match item.head_mm.filter(|head| head.scaled() > 0) {
        Some(label) => Prior::from_label(label.value()),
        None => Ok(Prior::without_label()),
    };
    let mut best: Option<(usize, (FittedWear, HeadForecast))> = None;
    let mut refused = None;
    for (index, one) in series.iter().enumerate() {
        let found = prior.clone().and_then(|prior| {
            let fitted = fit_wear(&one.head_tests(), Some(&prior))?;
            let head = fitted.model.forecast(use_then, HEAD_LEVEL)?;
            Ok((fitted, head))
        });
        match found {
            Err(reason) => refused = refused.or(Some(reason)),
            Ok(found) => {
                let rank = |head: &HeadForecast| (head.mostly_assumption, head.low_mm);
                if best.as_ref().is_none_or(|(_, best)| rank(&found.1) < rank(&best.1)) {
                    best = Some((index, found));
                }
            }
        }
    }
    let (deciding, estimate) = match (best, refused) {
        (Some((index, found)), _) => (Some(index), Ok(found)),
        (None, Some(reason)) => (None, Err(reason)),
        (None, None) => (None, Err(NoEstimate::TooFew { what: "head tests", needed: 1, got: 0 })),
    };
    let claimed_mm = item.head_mm.map(|head| head.value());
    HeadOn { claimed_mm, used, use_then, series, deciding, estimate }
}

impl HeadOn {
    /// What the deciding series says about a limit in mm on the day, and about the hours left from the use as logged.
    ///
    /// # Errors
    /// The reason of a missing estimate; `OutOfRange` for a limit that is not above 0 mm.
    pub fn against(&self, limit_mm: f64) -> Result<WearAnswer, NoEstimate> {
        let (fitted, _) = self.estimate.as_ref().map_err(Clone::clone)?;
        fitted.answer(&self.path(), self.use_then, limit_mm)
    }

    /// Use to come: from what is logged, washes in step with the hours as over the item's life.
    #[must_use]
    pub fn path(&self) -> UsePath {
        let from = self.used.logged;
        let washes_per_h = if from.worn_h > 0.0 { from.washes / from.worn_h } else { 0.0 };
        UsePath { from, washes_per_h }
    }
}
