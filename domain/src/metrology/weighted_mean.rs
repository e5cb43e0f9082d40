//! The mean of values of unequal worth, and whether they agree.

use serde::Serialize;

use super::resolution::positive;
use crate::distributions::chi_squared_sf;
use crate::no_estimate::{NoEstimate, finite};

/// A weighted mean with both its uncertainties.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WeightedMean {
    /// Mean, weights 1/u^2.
    pub mean: f64,
    /// Standard uncertainty from the given ones alone, (sum w)^-1/2.
    pub u_internal: f64,
    /// `u_internal` times the Birge ratio: from how far the values really lie apart. `None` for one value.
    pub u_external: Option<f64>,
    /// The one to quote: external when the values disagree (`p` below 0.05), else internal.
    pub u: f64,
    /// Sum of squared normalised deviations.
    pub chi2: f64,
    /// Degrees of freedom, n - 1.
    pub dof: usize,
    /// Probability of so large a chi-square if the uncertainties are right. `None` for one value.
    pub p: Option<f64>,
    /// Birge ratio sqrt(chi2 / (n - 1)). `None` for one value.
    pub birge: Option<f64>,
    /// Whether `p` is at least 0.05; one value agrees with itself.
    pub consistent: bool,
    /// Number of values.
    pub n: usize,
}

/// Below this P the values are taken to disagree.
const DISAGREE: f64 = 0.05;

/// Weighted mean of `(value, standard uncertainty)` pairs with weights 1/u^2.
///
/// Parts of the uncertainties that all values share must be left out and added in quadrature afterwards.
/// Source: Birge (1932), Phys. Rev. 40:207 for the ratio (from memory).
///
/// # Errors
/// `TooFew` without values; `NotFinite` or `OutOfRange` for a bad value or an uncertainty that is not above 0.
pub fn weighted_mean(values: &[(f64, f64)]) -> Result<WeightedMean, NoEstimate> {
    if values.is_empty() {
        return Err(NoEstimate::TooFew { what: "values", needed: 1, got: 0 });
    }
    for (value, u) in values {
        finite("a value", *value)?;
        positive("a standard uncertainty", *u)?;
    }
    // Relative to the best value, so that no weight overflows and a common shift loses no digits.
    let best = values.iter().fold(values[0], |best, v| if v.1 < best.1 { *v } else { best });
    let mut weights = 0.0;
    let mut moment = 0.0;
    for (value, u) in values {
        let weight = (best.1 / u).powi(2);
        weights += weight;
        moment += weight * (value - best.0);
    }
    let offset = moment / weights;
    let mean = finite("the mean", best.0 + offset)?;
    let u_internal = best.1 / weights.sqrt();
    let chi2: f64 = values.iter().map(|(value, u)| ((value - best.0 - offset) / u).powi(2)).sum();
    finite("the chi-square", chi2)?;
    let n = values.len();
    let dof = n - 1;
    let (p, birge) = if dof == 0 {
        (None, None)
    } else {
        (Some(chi_squared_sf(chi2, dof as f64)), Some((chi2 / dof as f64).sqrt()))
    };
    let u_external = birge.map(|ratio| u_internal * ratio);
    let consistent = p.is_none_or(|p| p >= DISAGREE);
    let u = if consistent { u_internal } else { u_external.unwrap_or(u_internal) };
    Ok(WeightedMean { mean, u_internal, u_external, u, chi2, dof, p, birge, consistent, n })
}
