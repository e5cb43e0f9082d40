//! Waterproofness: hydrostatic head and pressure, test rates, classes with their edition, and vapour methods that refuse to
//! be compared.
//!
//! A class number without its edition is ambiguous, a head without its rate is not comparable, and a result by one vapour
//! method says nothing about another. The standards named here were read as public previews and reproductions.

pub mod head;
pub mod protection_class;
pub mod rig;
pub mod specimen;
pub mod vapour;

pub use head::{contact_pressure_pa, head_to_pa, head_to_pa_at, pa_to_head, psi_to_pa};
pub use protection_class::{
    Edition, RetClass, WaterClass, WaterEvidence, class_demonstrates_head, ret_class, water_class, wear_limit,
};
pub use rig::{HeadUncertainty, column_uncertainty, gauge_uncertainty};
pub use specimen::{
    Drops, Part, Rate, Relation, SpecimenHead, SpecimenMean, TestConditions, mean_head, specimen_head,
    test_duration_min,
};
pub use vapour::{VapourComparison, VapourMethod, VapourResult, compare_vapour, permeability_from_ret};
