//! How well a home rig knows the head. Both parts are small beside the scatter between places of a garment.

use serde::Serialize;

use super::head::{CONVENTIONAL_PA_PER_MM, pa_to_head};
use crate::metrology::resolution::{positive, positive_or_zero};
use crate::metrology::{Component, Dof, combine};
use crate::no_estimate::{NoEstimate, finite};

/// Uncertainty of a head from the rig alone.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct HeadUncertainty {
    /// Standard uncertainty, mm of water.
    pub u_mm: f64,
    /// The same, Pa.
    pub u_pa: f64,
    /// Relative to the head.
    pub relative: f64,
}

fn of(u_pa: f64, head_pa: f64) -> Result<HeadUncertainty, NoEstimate> {
    let u_mm = pa_to_head(u_pa)?;
    Ok(HeadUncertainty { u_mm, u_pa, relative: finite("the relative uncertainty", u_pa / head_pa)? })
}

/// A column of water read at both ends to plus or minus `reading_mm`, with the water's density known to plus or minus
/// `density_relative` (0.0018 when its temperature is not corrected for). All limits rectangular.
///
/// The head is the height of the free surface above the fabric.
///
/// # Errors
/// `NotFinite`, `OutOfRange`.
pub fn column_uncertainty(
    head_mm: f64,
    reading_mm: f64,
    density_relative: f64,
) -> Result<HeadUncertainty, NoEstimate> {
    positive("the head in mm", head_mm)?;
    positive_or_zero("the reading's limit in mm", reading_mm)?;
    positive_or_zero("the density's limit", density_relative)?;
    let rectangular = |limit: f64| Component::direct(limit / 3f64.sqrt(), Dof::Infinite);
    let parts = [rectangular(reading_mm), rectangular(reading_mm), rectangular(head_mm * density_relative)];
    let combined = combine(&parts, &[])?;
    of(combined.u * CONVENTIONAL_PA_PER_MM, head_mm * CONVENTIONAL_PA_PER_MM)
}

/// A pressure gauge of accuracy class `class_percent` (per cent of `full_scale_pa`, rectangular) at `pressure_pa`.
///
/// # Errors
/// `NotFinite`, `OutOfRange`, also for a pressure beyond the full scale.
pub fn gauge_uncertainty(
    pressure_pa: f64,
    class_percent: f64,
    full_scale_pa: f64,
) -> Result<HeadUncertainty, NoEstimate> {
    positive("the pressure in Pa", pressure_pa)?;
    positive_or_zero("the gauge's class in per cent", class_percent)?;
    positive("the full scale in Pa", full_scale_pa)?;
    if pressure_pa > full_scale_pa {
        return Err(NoEstimate::OutOfRange {
            what: "the pressure in Pa",
            value: pressure_pa,
            low: 0.0,
            high: full_scale_pa,
        });
    }
    of(class_percent / 100.0 * full_scale_pa / 3f64.sqrt(), pressure_pa)
}
