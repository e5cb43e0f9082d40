//! Weighing: uncertainty budgets, error limits, comparisons of weighings, and the joint adjustment of sittings and items.
//!
//! Masses are grams. Uncertainties are standard uncertainties (one standard deviation) unless a name says expanded.

pub mod budget;
pub mod gum;
pub mod mpe;
pub mod resolution;
pub mod two_weighings;
pub mod weighted_mean;

pub use budget::{CheckWeight, Eccentricity, Repeatability, ScaleModel, reading_uncertainty};
pub use gum::{Combined, Component, Correlation, Dof, Expanded, combine};
pub use mpe::{AccuracyClass, Verification, m1_weight_mpe_mg, m1_weight_u_g, mpe_r76_g};
pub use resolution::{reading_pair_u, resolution_u};
pub use two_weighings::{Comparison, En, Measured, en_number, smallest_detectable_change, two_weighings};
pub use weighted_mean::{WeightedMean, weighted_mean};
