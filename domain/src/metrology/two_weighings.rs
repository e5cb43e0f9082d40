//! Did the mass change, or do two weighings only differ by what weighing costs?

use serde::Serialize;

use super::gum::{Component, Dof, combine};
use super::resolution::{confidence, positive, positive_or_zero};
use crate::distributions::{normal_two_sided, student_t_sf, student_t_two_sided};
use crate::no_estimate::{NoEstimate, finite};

/// A measured value.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Measured {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, all parts.
    pub u: f64,
    /// Degrees of freedom of `u`.
    pub dof: Dof,
}

impl Measured {
    /// A value whose uncertainty is taken as well known.
    #[must_use]
    pub fn new(value: f64, u: f64) -> Self {
        Self { value, u, dof: Dof::Infinite }
    }
}

/// What a comparison of two values says.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Comparison {
    /// Second minus first.
    pub difference: f64,
    /// Standard uncertainty of the difference, common parts dropped.
    pub u: f64,
    /// |difference| / u.
    pub z: f64,
    /// Two-sided P value.
    pub p: f64,
    /// The z above which the difference is significant at the asked level.
    pub critical: f64,
    /// Whether z exceeds it.
    pub significant: bool,
    /// Degrees of freedom the P value was taken at.
    pub dof: Dof,
    /// Level of confidence.
    pub level: f64,
}

/// Compares two values at a level of confidence (0.95 by custom).
///
/// `u_common` is the part of both uncertainties that is the same error in both, as the calibration of one scale in one
/// sitting; it drops out of the difference. z = (x2 - x1) / sqrt(u1^2 + u2^2 - 2 u_common^2), against the normal
/// distribution or, where degrees of freedom are finite, Student's t at the effective ones rounded down.
/// Source: JCGM 100:2008, 5.2.2 with r such that the common part cancels, and G.4.1.
///
/// # Errors
/// `NotFinite` or `OutOfRange` for bad numbers, for a common part greater than either uncertainty, or when nothing of the
/// uncertainties is left (the difference cannot be judged then).
pub fn two_weighings(
    first: Measured,
    second: Measured,
    u_common: f64,
    level: f64,
) -> Result<Comparison, NoEstimate> {
    confidence(level)?;
    positive_or_zero("the common standard uncertainty", u_common)?;
    let own = |of: Measured| -> Result<Component, NoEstimate> {
        finite("a value", of.value)?;
        positive_or_zero("a standard uncertainty", of.u)?;
        of.dof.checked()?;
        if u_common > of.u * (1.0 + 1e-12) {
            return Err(NoEstimate::OutOfRange {
                what: "the common standard uncertainty",
                value: u_common,
                low: 0.0,
                high: of.u,
            });
        }
        // (u - c)(u + c) keeps its digits where u^2 - c^2 loses them.
        let u = ((of.u - u_common).max(0.0) * (of.u + u_common)).sqrt();
        Ok(Component::direct(u, of.dof))
    };
    let combined = combine(&[own(first)?, own(second)?], &[])?;
    let u = positive("the standard uncertainty of the difference", combined.u)?;
    let difference = finite("the difference", second.value - first.value)?;
    let z = finite("the normalised difference", difference.abs() / u)?;
    let dof = combined.dof.unwrap_or(Dof::Infinite).truncated();
    let p = (2.0 * student_t_sf(z, dof.value())).min(1.0);
    let critical = student_t_two_sided(level, dof.value());
    Ok(Comparison { difference, u, z, p, critical, significant: z > critical, dof, level })
}

/// A normalised error.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct En {
    /// |x1 - x2| / sqrt(U1^2 + U2^2).
    pub en: f64,
    /// Whether it is at most 1.
    pub agrees: bool,
}

/// E_n number of two values with **expanded** uncertainties `(value, U)` (both at the same level, usually k = 2).
///
/// Source: the form of ISO/IEC 17043 and ISO 13528.
///
/// # Errors
/// `NotFinite` or `OutOfRange` for bad numbers, or when both uncertainties are 0.
pub fn en_number(first: (f64, f64), second: (f64, f64)) -> Result<En, NoEstimate> {
    for (value, expanded) in [first, second] {
        finite("a value", value)?;
        positive_or_zero("an expanded uncertainty", expanded)?;
    }
    let both = positive("the expanded uncertainty of the difference", first.1.hypot(second.1))?;
    let en = finite("the normalised error", (first.0 - second.0).abs() / both)?;
    Ok(En { en, agrees: en <= 1.0 })
}

/// The least difference of two values, each of standard uncertainty `u`, that is significant: k sqrt 2 u, with the normal k
/// of the level (1.96 at 0.95, so 2.77 u).
///
/// Source: the repeatability limit of ISO 5725-6, 2.8 s (from memory).
///
/// # Errors
/// `NotFinite` or `OutOfRange` for bad numbers.
pub fn smallest_detectable_change(u: f64, level: f64) -> Result<f64, NoEstimate> {
    positive_or_zero("the standard uncertainty", u)?;
    confidence(level)?;
    finite("the smallest detectable change", normal_two_sided(level) * std::f64::consts::SQRT_2 * u)
}
