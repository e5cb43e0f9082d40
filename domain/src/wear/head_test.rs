//! Head tests as the wear model takes them.

use serde::{Deserialize, Serialize};

use crate::metrology::resolution::{positive, positive_or_zero};
use crate::no_estimate::NoEstimate;
use crate::waterproofness::Relation;

/// How much a garment has been used.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct UsePoint {
    /// Hours worn.
    pub worn_h: f64,
    /// Washes.
    pub washes: f64,
}

impl UsePoint {
    pub(crate) fn checked(self) -> Result<Self, NoEstimate> {
        positive_or_zero("the hours worn", self.worn_h)?;
        positive_or_zero("the washes", self.washes)?;
        Ok(self)
    }
}

/// Use to come: from a point on, washes in step with the hours.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct UsePath {
    /// Where it starts, usually today.
    pub from: UsePoint,
    /// Washes by hour worn.
    pub washes_per_h: f64,
}

impl UsePath {
    /// The point at a total of `worn_h` hours.
    #[must_use]
    pub fn at(&self, worn_h: f64) -> UsePoint {
        UsePoint { worn_h, washes: self.from.washes + (worn_h - self.from.worn_h) * self.washes_per_h }
    }

    pub(crate) fn checked(self) -> Result<Self, NoEstimate> {
        self.from.checked()?;
        positive_or_zero("the washes by hour", self.washes_per_h)?;
        Ok(self)
    }
}

/// One head test. Tests of one series must share rate, drop rule and part.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct HeadTest {
    /// Use when tested.
    pub at: UsePoint,
    /// Head, mm of water.
    pub head_mm: f64,
    /// Seen, or a bound.
    pub relation: Relation,
}

impl HeadTest {
    /// An exact test.
    #[must_use]
    pub fn exact(worn_h: f64, washes: f64, head_mm: f64) -> Self {
        Self { at: UsePoint { worn_h, washes }, head_mm, relation: Relation::Exact }
    }

    pub(crate) fn is_exact(&self) -> bool {
        self.relation == Relation::Exact
    }
}

pub(crate) fn check_tests(tests: &[HeadTest]) -> Result<(), NoEstimate> {
    tests.iter().try_for_each(|test| {
        test.at.checked()?;
        positive("a head in mm", test.head_mm).map(drop)
    })
}

pub(crate) fn greatest_hours(tests: &[HeadTest]) -> f64 {
    tests.iter().fold(0.0, |most, test| most.max(test.at.worn_h))
}

/// Whether the values of one kind vary.
pub(crate) fn varies(mut values: impl Iterator<Item = f64>) -> bool {
    let first = values.next();
    values.any(|value| Some(value) != first)
}

/// What one test by itself shows about a limit.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum LimitShown {
    /// The head reached the limit.
    Met,
    /// It leaked below the limit.
    NotMet,
    /// The test ended below the limit without leaking, or leaked somewhere above or below it.
    NotShown,
}

/// What one test shows about a limit in mm, without any model.
///
/// # Errors
/// `NotFinite`, `OutOfRange`.
pub fn limit_shown(test: &HeadTest, limit_mm: f64) -> Result<LimitShown, NoEstimate> {
    check_tests(std::slice::from_ref(test))?;
    positive("the limit in mm", limit_mm)?;
    Ok(match test.relation {
        Relation::Exact | Relation::AtLeast if test.head_mm >= limit_mm => LimitShown::Met,
        Relation::Exact => LimitShown::NotMet,
        Relation::Below if test.head_mm <= limit_mm => LimitShown::NotMet,
        Relation::AtLeast | Relation::Below => LimitShown::NotShown,
    })
}
