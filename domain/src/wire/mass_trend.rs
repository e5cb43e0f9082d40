//! How an item's mass has moved over its weighings.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use crate::time::Timestamp;

/// The mean of an item in one sitting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassPoint {
    /// The newest of its weighings.
    pub at: Timestamp,
    /// The mass of one unit in grams, corrected by the sitting's own check readings.
    pub mass_g: f64,
    /// Its standard uncertainty in grams.
    pub u_g: f64,
    /// Weighings.
    pub n: u32,
    /// Whether check weights were read in the sitting.
    pub checked: bool,
}

/// A steady rise or fall.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassSlope {
    /// Median slope (Theil-Sen), in grams a year of 365 days.
    pub per_year_g: f64,
    /// Lower end of its interval.
    pub low_g: f64,
    /// Upper end.
    pub high_g: f64,
    /// Level of the interval.
    pub level: f64,
    /// Two-sided p value of the Mann-Kendall test.
    pub p: f64,
    /// Whether p is exact (at most ten days, no ties).
    pub p_exact: bool,
    /// Mass on the first day by the line, in grams.
    pub at_first_g: f64,
    /// Mass on the last day by the line, in grams.
    pub at_last_g: f64,
    /// Days with weighings.
    pub n: u32,
}

/// One change of level (Pettitt).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassStep {
    /// The last day before it.
    pub after_on: NaiveDate,
    /// The first day after it.
    pub before_on: NaiveDate,
    /// Mean before, in grams.
    pub from_g: f64,
    /// Mean after, in grams.
    pub to_g: f64,
    /// Approximate two-sided p value.
    pub p: f64,
    /// Days with weighings.
    pub n: u32,
}

/// The item's drift with the scales' own offsets taken out, by a joint fit of sittings and items.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct JointDrift {
    /// Grams a year of 365 days.
    pub per_year_g: f64,
    /// Its standard uncertainty.
    pub u_g: f64,
    /// Check readings in it.
    pub check_readings: u32,
    /// Other items in it, taken as steady.
    pub other_items: u32,
    /// Sittings in it.
    pub sittings: u32,
    /// Degrees of freedom.
    pub dof: u32,
}

/// How a scale itself moved.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ScaleMovement {
    /// Reading less known mass in the first and in the last sitting with check weights, in grams.
    pub first_g: f64,
    /// In the last.
    pub last_g: f64,
    /// Standard uncertainty of the difference, what both share left out.
    pub u_difference_g: f64,
    /// Sittings with check readings.
    pub n: u32,
    /// Whether the difference is more than 1.96 of those.
    pub moved: bool,
}

/// The trend of an item's mass.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassTrendView {
    /// The item's name.
    pub name: String,
    /// One a sitting, oldest first.
    pub points: Vec<MassPoint>,
    /// Days with weighings: sittings of one day are averaged before any test.
    pub n_days: u32,
    /// A steady rise or fall; absent when too few days or all the same.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub slope: Option<MassSlope>,
    /// A change of level; absent when too few days or none found.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub step: Option<MassStep>,
    /// The drift with the scales' offsets taken out.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub joint: Option<JointDrift>,
    /// How the scale of the newest sitting moved.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scale: Option<ScaleMovement>,
    /// What could not be said, and why.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub refusals: Vec<String>,
    /// In plain words, the main thing first.
    pub sentences: Vec<String>,
}
