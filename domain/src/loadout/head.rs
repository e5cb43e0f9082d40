//! A garment's hydrostatic head on race day, as verdicts read it.

use crate::rules::Evidence;
use crate::time::Timestamp;
use crate::waterproofness::Relation;
use crate::wear::UsePoint;
use crate::wear_history::{HeadOn, LogFact, SeriesTest, TestSeries, head_on};
use crate::wire::item::ItemBody;
use crate::wire::loadout::SeenHead;

/// Up to so many hours worn since a test, without a wash, the test itself stands. Judgement.
const FRESH_H: f64 = 1.0;
/// From so many exact tests on the fitted line speaks rather than one test.
const ENOUGH: usize = 5;
/// Scatter of one test's ln head: judgement, as in [`crate::wear::Prior::from_label`].
const SIGMA: f64 = 0.10;
/// Level of the intervals.
const LEVEL: f64 = 0.95;

/// A head with its interval of 95 %; `high_mm` is infinite where tests only show the lower end.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct HeadKnown {
    pub median_mm: f64,
    pub low_mm: f64,
    pub high_mm: f64,
    pub evidence: Evidence,
    pub n: u32,
    pub tested_at: Timestamp,
}

/// When a head is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct When {
    /// Facts observed by then.
    pub as_of: Timestamp,
    /// The day of the race.
    pub on: Timestamp,
}

/// The head by the weakest of the ways in which it was tested; `None` where the item's own claim stands, because nothing
/// was tested or the tests say less than what is assumed: assumption makes no label a prediction.
///
/// A test that nothing has worn since stands by itself, as measured, as long as there are too few for a line; else the
/// model of [`head_on`] carries the tests to race day. A leak below the claim speaks against it whatever is assumed.
pub(super) fn head(body: &ItemBody, log: &[LogFact], when: When) -> Option<HeadKnown> {
    let on_day = head_on(body, log, when.as_of, when.on);
    let fresh = on_day.series.iter().filter_map(|series| fresh(series, on_day.use_then));
    let known = fresh.chain(modelled(&on_day)).min_by(|a, b| {
        a.low_mm
            .total_cmp(&b.low_mm)
            .then(a.high_mm.total_cmp(&b.high_mm))
            .then(a.median_mm.total_cmp(&b.median_mm))
    });
    known.or_else(|| leak(body, &on_day))
}

/// The head in the form that an entry keeps of a club's item.
pub(super) fn seen_head(body: &ItemBody, log: &[LogFact], when: When) -> Option<SeenHead> {
    head(body, log, when).map(|head| SeenHead {
        median_mm: head.median_mm.round(),
        low_mm: head.low_mm.floor(),
        high_mm: head.high_mm.is_finite().then(|| head.high_mm.ceil()),
        evidence: head.evidence,
        n: head.n,
        tested_at: head.tested_at,
    })
}

fn is_fresh(test: &SeriesTest, now: UsePoint) -> bool {
    now.worn_h - test.test.at.worn_h <= FRESH_H && now.washes - test.test.at.washes < 0.5
}

/// The weakest of the tests of a series that nothing has worn since, when the series is too short for a line.
fn fresh(series: &TestSeries, now: UsePoint) -> Option<HeadKnown> {
    if exact(series) >= ENOUGH {
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
    let spread = (1.96 * SIGMA).exp();
    let (low_mm, high_mm) = match test.test.relation {
        Relation::Exact => (head / spread, head * spread),
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

/// What the model of the deciding series says, unless it is mostly assumption or its tests are fresh.
fn modelled(on_day: &HeadOn) -> Option<HeadKnown> {
    let (fitted, shown) = on_day.estimate.as_ref().ok().filter(|(_, head)| !head.mostly_assumption)?;
    let series = on_day.series.get(on_day.deciding?)?;
    let newest = series.tests.last()?;
    let fresh = is_fresh(newest, on_day.use_then);
    if fresh && exact(series) < ENOUGH {
        return None;
    }
    let head = fitted.model.forecast(shown.at, LEVEL).ok()?;
    Some(HeadKnown {
        median_mm: head.median_mm,
        low_mm: head.low_mm,
        high_mm: head.high_mm,
        evidence: if fresh { Evidence::Measured } else { Evidence::Predicted },
        n: series.tests.len() as u32,
        tested_at: newest.observed_at,
    })
}

/// A newest test of its series that leaked below the claim by more than tests scatter: the head falls with use, so it is
/// below that still.
fn leak(body: &ItemBody, on_day: &HeadOn) -> Option<HeadKnown> {
    let claim = body.head_mm.map_or(f64::INFINITY, |head| head.value());
    let leaks = on_day.series.iter().filter_map(|series| {
        let newest = series.tests.last()?;
        let spread = if newest.test.relation == Relation::Exact { (1.96 * SIGMA).exp() } else { 1.0 };
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
