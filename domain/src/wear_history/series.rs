//! Head tests by how they were made: results by different rates, drop rules and parts are not one series (ISO 811:2018).

use std::collections::BTreeMap;

use uuid::Uuid;

use super::log::{LogFact, worn_until};
use crate::time::Timestamp;
use crate::waterproofness::Relation;
use crate::wear::HeadTest;
use crate::wire::log_entry::{DropRule, HeadRelation, LogEvent, TestRig, TestedPart};

/// How a test was made; absent is not known, and is a series of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct Conditions {
    /// Fabric or seam.
    pub part: Option<TestedPart>,
    /// Rate in tenths of a cm of water a minute; the two of ISO 811 within its tolerances as 100 and 600.
    pub rate_mm_min: Option<i64>,
    /// Which drop ends the test.
    pub drops: Option<DropRule>,
    /// What with.
    pub rig: Option<TestRig>,
}

impl Conditions {
    /// In words, such as "seam, 60 cm/min, third drop, laboratory".
    #[must_use]
    pub fn words(&self) -> String {
        let part = self.part.map_or("part not said".to_owned(), |part| part.name().to_owned());
        let rate = self.rate_mm_min.map(|rate| format!("{} cm/min", rate as f64 / 10.0));
        let drops = self.drops.map(|drops| format!("{} drop", drops.name()));
        let rig = self.rig.map(|rig| rig.name().to_owned());
        [Some(part), rate, drops, rig].into_iter().flatten().collect::<Vec<_>>().join(", ")
    }
}

/// A head test of a series.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SeriesTest {
    /// The log entry.
    pub id: Uuid,
    /// When.
    pub observed_at: Timestamp,
    /// As the wear model takes it, with the use logged until then.
    pub test: HeadTest,
}

/// The tests made in one way, oldest first.
#[derive(Debug, Clone, PartialEq)]
pub struct TestSeries {
    /// How they were made.
    pub conditions: Conditions,
    /// The tests.
    pub tests: Vec<SeriesTest>,
}

impl TestSeries {
    /// As the wear model takes them.
    #[must_use]
    pub fn head_tests(&self) -> Vec<HeadTest> {
        self.tests.iter().map(|test| test.test).collect()
    }
}

/// All head tests of one item's log until an instant, by how they were made.
#[must_use]
pub fn test_series(log: &[LogFact], instant: Timestamp) -> Vec<TestSeries> {
    let mut groups: BTreeMap<Conditions, Vec<SeriesTest>> = BTreeMap::new();
    for fact in log.iter().filter(|fact| fact.counts_at(instant)) {
        let body = &fact.body;
        let (LogEvent::HeadTest, Some(head)) = (body.event, body.head_mm) else { continue };
        let rate = body.rate_cm_min.map(|rate| match rate {
            9.5..=10.5 => 100,
            57.0..=63.0 => 600,
            _ => (rate * 10.0).round() as i64,
        });
        let conditions = Conditions {
            part: body.part.as_ref().and_then(|part| TestedPart::from_name(part.as_str())),
            rate_mm_min: rate,
            drops: body.drops,
            rig: body.rig,
        };
        let relation = match body.relation.unwrap_or(HeadRelation::Exactly) {
            HeadRelation::Exactly => Relation::Exact,
            HeadRelation::AtLeast => Relation::AtLeast,
            HeadRelation::Below => Relation::Below,
        };
        groups.entry(conditions).or_default().push(SeriesTest {
            id: fact.id,
            observed_at: body.observed_at,
            test: HeadTest { at: worn_until(log, body.observed_at).logged, head_mm: head.value(), relation },
        });
    }
    groups
        .into_iter()
        .map(|(conditions, mut tests)| {
            tests.sort_by_key(|test| (test.observed_at, test.id));
            TestSeries { conditions, tests }
        })
        .collect()
}
