//! Pressure and the height of the water column that makes it.

use crate::metrology::resolution::{positive, positive_or_zero};
use crate::no_estimate::{NoEstimate, finite};
use crate::provisions::water_density_kg_m3;

/// Standard acceleration of gravity, m/s2 (exact by convention).
pub const STANDARD_GRAVITY: f64 = 9.806_65;

/// Pascals per conventional millimetre of water: 1000 kg/m3 times standard gravity.
pub const CONVENTIONAL_PA_PER_MM: f64 = 9.806_65;

/// Pascals per pound-force per square inch.
const PA_PER_PSI: f64 = 6_894.757_293_168;

/// Pressure in Pa of a head in conventional mm of water: p = rho g h with 1000 kg/m3 and 9.80665 m/s2.
///
/// # Errors
/// `NotFinite`, `OutOfRange` below 0.
pub fn head_to_pa(head_mm: f64) -> Result<f64, NoEstimate> {
    finite("the pressure in Pa", positive_or_zero("the head in mm", head_mm)? * CONVENTIONAL_PA_PER_MM)
}

/// Head in conventional mm of water of a pressure in Pa.
///
/// # Errors
/// `NotFinite`, `OutOfRange` below 0.
pub fn pa_to_head(pressure_pa: f64) -> Result<f64, NoEstimate> {
    Ok(positive_or_zero("the pressure in Pa", pressure_pa)? / CONVENTIONAL_PA_PER_MM)
}

/// Pressure in Pa of a real column of water of `head_mm` at 0 to 40 C, with standard gravity.
///
/// The difference to the conventional value is -0.18 % at 20 C, far below the scatter between places of a fabric.
///
/// # Errors
/// `NotFinite`, `OutOfRange`.
pub fn head_to_pa_at(head_mm: f64, temperature_c: f64) -> Result<f64, NoEstimate> {
    let metres = positive_or_zero("the head in mm", head_mm)? / 1_000.0;
    finite("the pressure in Pa", water_density_kg_m3(temperature_c)? * STANDARD_GRAVITY * metres)
}

/// Pressure in Pa of pounds-force per square inch.
///
/// # Errors
/// `NotFinite`, `OutOfRange` below 0.
pub fn psi_to_pa(psi: f64) -> Result<f64, NoEstimate> {
    finite("the pressure in Pa", positive_or_zero("the pressure in psi", psi)? * PA_PER_PSI)
}

/// Mean pressure in Pa under `mass_kg` resting on `contacts` equal areas of `area_cm2`: an illustration of what kneeling or
/// a strap does (peaks are several times higher, and rubbing matters more), never a pass line.
///
/// # Errors
/// `NotFinite`, `OutOfRange`; `TooFew` without a contact.
pub fn contact_pressure_pa(mass_kg: f64, contacts: u32, area_cm2: f64) -> Result<f64, NoEstimate> {
    positive_or_zero("the mass in kg", mass_kg)?;
    positive("the area in cm2", area_cm2)?;
    if contacts == 0 {
        return Err(NoEstimate::TooFew { what: "contacts", needed: 1, got: 0 });
    }
    finite("the pressure in Pa", mass_kg * STANDARD_GRAVITY / (f64::from(contacts) * area_cm2 * 1e-4))
}
