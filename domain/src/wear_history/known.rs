//! The head of a garment as it is judged by: the one answer that verdicts, what an entry keeps of a club's item, the list of
//! what deserves a look and the word after a log entry all read.

use super::head::HeadOn;
use super::series::{SeriesTest, TestSeries};
use crate::distributions::normal_two_sided;
use crate::rules::Evidence;
use crate::time::Timestamp;
use crate::waterproofness::Relation;
use crate::wear::{HEAD_LEVEL, LEAST_TESTS, TEST_SIGMA, UsePoint};
use crate::wire::loadout::SeenHead;

/// Up to so many hours worn since a test, without a wash, the test itself stands. Judgement.
const FRESH_H: f64 = 1.0;

/// A head in mm with its interval of [`HEAD_LEVEL`]; `high_mm` is infinite where tests only show the lower end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct HeadKnown {
    /// Median, mm of water.
    pub median_mm: f64,
    /// Lower end, mm.
    pub low_mm: f64,
    /// Upper end, mm; infinite for a bound.
    pub high_mm: f64,
    /// Measured, or predicted from measurements.
    pub evidence: Evidence,
    /// Tests it rests on.
    pub n: u32,
    /// When the newest of them was made.
    pub tested_at: Timestamp,
}

impl HeadKnown {
    /// In whole millimetres, the interval rounded outwards.
    #[must_use]
    pub fn seen(&self) -> SeenHead {
        SeenHead {
            median_mm: self.median_mm.round(),
            low_mm: self.low_mm.floor(),
            high_mm: self.high_mm.is_finite().then(|| self.high_mm.ceil()),
            evidence: self.evidence,
            n: self.n,
            tested_at: self.tested_at,
        }
    }
}

impl HeadOn {
    /// The head by the weakest of the ways in which it was tested; `None` where the item's own claim stands, because
    /// nothing was tested or the tests say less than what is assumed: assumption makes no label a prediction.
    ///
    /// A test that nothing has worn since stands by itself, as measured, as long as there are too few for a line; else the
    /// model carries the tests to the day. A leak below the claim speaks against it whatever is assumed.
    ///
    /// A forecast ([`crate::item_trends::head_forecast`]) shows the model even where a fresh test stands by itself here,
    /// since its probabilities, its hours left and its curve are the model's.
    #[must_use]
    pub fn known(&self) -> Option<HeadKnown> {
        self.weakest(|_| true)
    }

    /// The same to be shown: of the ways that say more than a lower bound, which is no head.
    #[must_use]
    pub fn seen(&self) -> Option<SeenHead> {
        self.weakest(|known| known.high_mm.is_finite()).map(|known| known.seen())
    }

    fn weakest(&self, counts: impl Fn(&HeadKnown) -> bool) -> Option<HeadKnown> {
        let fresh = self.series.iter().filter_map(|series| fresh(series, self.use_then));
        let known = fresh.chain(self.modelled()).filter(counts).min_by(|a, b| {
            a.low_mm
                .total_cmp(&b.low_mm)
                .then(a.high_mm.total_cmp(&b.high_mm))
                .then(a.median_mm.total_cmp(&b.median_mm))
        });
        known.or_else(|| self.leak())
    }

    /// What the model of the deciding series says, unless it is mostly assumption or its newest test is fresh.
    fn modelled(&self) -> Option<HeadKnown> {
        let (_, head) = self.estimate.as_ref().ok().filter(|(_, head)| !head.mostly_assumption)?;
        let series = self.series.get(self.deciding?)?;
        let newest = series.tests.last()?;
        let fresh = is_fresh(newest, self.use_then);
        if fresh && exact(series) < LEAST_TESTS {
            return None;
        }
        Some(HeadKnown {
            median_mm: head.median_mm,
            low_mm: head.low_mm,
            high_mm: head.high_mm,
            evidence: if fresh { Evidence::Measured } else { Evidence::Predicted },
            n: series.tests.len() as u32,
            tested_at: newest.observed_at,
        })
    }

    /// A newest test of its series that leaked below the claim by more than tests scatter: the head falls with use, so
    /// it is below that still.
    fn leak(&self) -> Option<HeadKnown> {
        let claim = self.claimed_mm.unwrap_or(f64::INFINITY);
        let leaks = self.series.iter().filter_map(|series| {
            let newest = series.tests.last()?;
            let spread = if newest.test.relation == Relation::Exact { spread() } else { 1.0 };
            let high_mm = newest.test.head_mm * spread;
            (newest.test.relation != Relation::AtLeast && high_mm < claim).then_some(HeadKnown {
                median_mm: newest.test.head_mm,
                low_mm: 0.0,
                high_mm,
                evidence: Evidence::Measured,
                n: series.tests.len() as u32,
                tested_at: newest.observed_at,
            })
        });
        leaks.min_by(|a, b| a.high_mm.total_cmp(&b.high_mm))
    }
}

/// The factor by which one test may miss the head.
fn spread() -> f64 {
    (normal_two_sided(HEAD_LEVEL) * TEST_SIGMA).exp()
}

fn is_fresh(test: &SeriesTest, now: UsePoint) -> bool {
    now.worn_h - test.test.at.worn_h <= FRESH_H && now.washes - test.test.at.washes < 0.5
}

/// The weakest of the tests of a series that nothing has worn since, when the series is too short for a line.
fn fresh(series: &TestSeries, now: UsePoint) -> Option<HeadKnown> {
    if exact(series) >= LEAST_TESTS {
        return None;
    }
    let n = series.tests.len() as u32;
    let fresh = series.tests.iter().filter(|test| is_fresh(test, now)).map(|test| by_itself(test, n));
    fresh.min_by(|a, b| a.low_mm.total_cmp(&b.low_mm))
}

fn exact(series: &TestSeries) -> usize {
    series.tests.iter().filter(|test| test.test.relation == Relation::Exact).count()
}

/// What one test by itself says.
fn by_itself(test: &SeriesTest, n: u32) -> HeadKnown {
    let head = test.test.head_mm;
    let (low_mm, high_mm) = match test.test.relation {
        Relation::Exact => (head / spread(), head * spread()),
        Relation::AtLeast => (head, f64::INFINITY),
        Relation::Below => (0.0, head),
    };
    HeadKnown {
        median_mm: head,
        low_mm,
        high_mm,
        evidence: Evidence::Measured,
        n,
        tested_at: test.observed_at,
    }
}
