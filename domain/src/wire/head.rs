//! The head of a garment as it is forecast for a day.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::log_entry::HeadRelation;
use crate::time::Timestamp;

/// How much a garment was used.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct UseView {
    /// Hours worn.
    pub worn_h: f64,
    /// Washes.
    pub washes: f64,
}

/// A head test of an item.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct HeadTestView {
    /// When.
    pub observed_at: Timestamp,
    /// Use until then.
    pub used: UseView,
    /// The head in millimetres of water.
    pub head_mm: f64,
    /// How it lies to the number.
    pub relation: HeadRelation,
    /// How it was made, in words.
    pub conditions: String,
    /// Whether the forecast rests on it.
    pub counted: bool,
}

/// The head at one day of the curve.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct HeadCurvePoint {
    /// The day.
    pub on: NaiveDate,
    /// Hours worn by then.
    pub worn_h: f64,
    /// Median head in millimetres.
    pub median_mm: f64,
    /// Lower end of the 95 % interval of the next test.
    pub low_mm: f64,
    /// Upper end.
    pub high_mm: f64,
}

/// The numbers of a forecast.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct HeadEstimate {
    /// Median head in millimetres of water.
    pub median_mm: f64,
    /// Lower end of the interval in which the next test lies.
    pub low_mm: f64,
    /// Upper end.
    pub high_mm: f64,
    /// Level of the interval.
    pub level: f64,
    /// Probability that the garment's own head reaches the limit.
    pub p_at_least: f64,
    /// Probability that the next test reaches it.
    pub p_next_at_least: f64,
    /// Hours worn from now until that is no longer 95 % sure; 0 when it is not now.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub hours_left: Option<f64>,
    /// Why the hours are absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_no_hours: Option<String>,
    /// Tests it rests on.
    pub n: u32,
    /// Of those, bounds (at least, below).
    pub censored: u32,
    /// `least_squares`, `censored_likelihood`, `conjugate_prior` or `integrated_prior`.
    pub method: String,
    /// How the tests were made, in words.
    pub conditions: String,
    /// Whether the day lies beyond twice the use that was tested.
    pub extrapolated: bool,
    /// Whether the assumption says most of it: then it is no evidence for a rule.
    pub mostly_assumption: bool,
    /// What is assumed, to be shown beside the numbers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub assumption: Option<String>,
}

/// The head of an item on a day, against a limit.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct HeadForecastView {
    /// The item's name.
    pub name: String,
    /// The day asked for.
    pub on: NaiveDate,
    /// The limit in millimetres of water.
    pub limit_mm: f64,
    /// Use as logged.
    pub used: UseView,
    /// Use on the day: what is logged and, until then, the rate of the last 365 days.
    pub used_then: UseView,
    /// The head that is claimed for it; only a test is a measurement.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub claimed_mm: Option<f64>,
    /// The numbers; absent with the reason below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub estimate: Option<HeadEstimate>,
    /// Why there are no numbers, and what to do.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_none: Option<String>,
    /// All head tests, oldest first.
    pub tests: Vec<HeadTestView>,
    /// Median and interval from the first test to the day.
    pub curve: Vec<HeadCurvePoint>,
    /// In plain words, the main thing first.
    pub sentences: Vec<String>,
    /// What a forecast is not.
    pub caution: String,
}
