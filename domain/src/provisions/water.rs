//! Mass of water.

use crate::no_estimate::{NoEstimate, within};

/// Density of air-free water in kg/m3 at a temperature in degrees Celsius: Tanaka, Girard, Davis, Peuto and Bignell 2001,
/// Metrologia 38:301 (coefficients recalled; they give 998.2067 at 20 degrees).
///
/// # Errors
/// [`NoEstimate::OutOfRange`] outside 0 to 40 degrees, for which it was fitted.
pub fn water_density_kg_m3(celsius: f64) -> Result<f64, NoEstimate> {
    let t = within("water temperature in degrees Celsius", celsius, 0.0, 40.0)?;
    let drop = (t - 3.983_035).powi(2) * (t + 301.797) / (522_528.9 * (t + 69.348_81));
    Ok(999.974_950 * (1.0 - drop))
}

/// Mass in g of a volume of water in ml. What is carried is reckoned at 1 g/ml, which is 0.2 % more.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] for a negative volume, or temperatures outside 0 to 40 degrees.
pub fn water_mass_g(millilitres: f64, celsius: f64) -> Result<f64, NoEstimate> {
    Ok(within("volume in ml", millilitres, 0.0, 1e9)? * water_density_kg_m3(celsius)? / 1000.0)
}
