//! Air and gravity: what they do to a reading.
//!
//! No buoyancy correction is applied to gear (0.1 % and the same every time); gravity matters to a scale that is moved.

use crate::no_estimate::{NoEstimate, finite, within};

use super::resolution::positive;

/// Density of the reference weights that define the conventional mass, kg/m3 (OIML D 28).
pub const REFERENCE_WEIGHT_DENSITY: f64 = 8_000.0;

/// Air density of the conventional mass, kg/m3 (OIML D 28).
pub const REFERENCE_AIR_DENSITY: f64 = 1.2;

/// Mass in g of an object of density `object_density` kg/m3 that balances `reading_g` of reference weights in air of
/// `air_density` kg/m3: R (1 - rho_air/8000) / (1 - rho_air/rho).
///
/// # Errors
/// `NotFinite`, `OutOfRange` (densities above 0, air below 100 kg/m3); `Because` for an object no denser than the air.
pub fn buoyancy_corrected_g(
    reading_g: f64,
    object_density: f64,
    air_density: f64,
) -> Result<f64, NoEstimate> {
    finite("the reading in g", reading_g)?;
    positive("the object's density in kg/m3", object_density)?;
    within("the air's density in kg/m3", air_density, 0.0, 100.0)?;
    if object_density <= air_density {
        return Err(NoEstimate::Because("an object no denser than the air does not rest on a scale"));
    }
    let factor = (1.0 - air_density / REFERENCE_WEIGHT_DENSITY) / (1.0 - air_density / object_density);
    finite("the mass in g", reading_g * factor)
}

/// Normal gravity in m/s2 at a latitude in degrees and a height in m above the ellipsoid (0 to 9000 m): Somigliana's formula
/// with the constants of WGS 84, less 3.086e-6 per second squared for the height (free air).
///
/// # Errors
/// `NotFinite`, `OutOfRange`.
pub fn normal_gravity(latitude_deg: f64, height_m: f64) -> Result<f64, NoEstimate> {
    within("the latitude in degrees", latitude_deg, -90.0, 90.0)?;
    within("the height in m", height_m, -500.0, 9_000.0)?;
    let sin2 = latitude_deg.to_radians().sin().powi(2);
    let at_sea =
        9.780_325_335_9 * (1.0 + 0.001_931_852_652_41 * sin2) / (1.0 - 0.006_694_379_990_13 * sin2).sqrt();
    Ok(at_sea - 3.086e-6 * height_m)
}

/// What a scale adjusted at `(latitude_deg, height_m)` `adjusted_at` shows, in g, for a true mass at `read_at`.
///
/// A remedy that needs no formula is to read a check weight after moving.
///
/// # Errors
/// As [`normal_gravity`].
pub fn moved_scale_reading_g(
    mass_g: f64,
    adjusted_at: (f64, f64),
    read_at: (f64, f64),
) -> Result<f64, NoEstimate> {
    finite("the mass in g", mass_g)?;
    let ratio = normal_gravity(read_at.0, read_at.1)? / normal_gravity(adjusted_at.0, adjusted_at.1)?;
    finite("the reading in g", mass_g * ratio)
}
