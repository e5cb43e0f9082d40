//! Weighing: uncertainty budgets, error limits, comparisons of weighings, and the joint adjustment of sittings and items.
//!
//! Masses are grams. Uncertainties are standard uncertainties (one standard deviation) unless a name says expanded.

pub mod adjustment;
pub mod budget;
pub mod calibration_line;
pub mod environment;
pub mod gain_offset;
pub mod gum;
pub mod mpe;
pub mod outliers;
pub mod resolution;
pub mod simultaneous;
pub mod two_weighings;
pub mod weighted_mean;

pub use adjustment::{
    Adjustment, AdjustmentModel, ItemMass, Load, MassDifference, SittingOffset, SittingReading, adjust,
};
pub use budget::{CheckWeight, Eccentricity, Repeatability, ScaleModel, reading_uncertainty};
pub use calibration_line::{CalibrationLine, LineValue, calibration_line};
pub use environment::{buoyancy_corrected_g, moved_scale_reading_g, normal_gravity};
pub use gain_offset::{CheckReading, CorrectedMass, GainOffset, gain_offset};
pub use gum::{Combined, Component, Correlation, Dof, Expanded, combine};
pub use mpe::{AccuracyClass, Verification, m1_weight_mpe_mg, m1_weight_u_g, mpe_r76_g};
pub use outliers::{Grubbs, MODIFIED_Z_LIMIT, MedianDistances, Side, grubbs, grubbs_critical, modified_z};
pub use resolution::{reading_pair_u, resolution_u};
pub use simultaneous::{Estimates, propagate, simultaneous_means};
pub use two_weighings::{Comparison, En, Measured, en_number, smallest_detectable_change, two_weighings};
pub use weighted_mean::{WeightedMean, weighted_mean};
