//! What rounding to the last digit costs.

use crate::no_estimate::{NoEstimate, finite};

/// Standard uncertainty of one reading rounded to the resolution `d`: d / (2 sqrt 3), in the unit of `d`.
///
/// Source: JCGM 100:2008, F.2.2.1 (a rectangular distribution of full width `d`).
///
/// # Errors
/// `NotFinite` or `OutOfRange` for a resolution that is not a finite number from 0 on.
pub fn resolution_u(d: f64) -> Result<f64, NoEstimate> {
    Ok(positive_or_zero("the resolution", d)? / 12f64.sqrt())
}

/// The same for a difference of two readings, zero (or tare) and load: d / sqrt 6.
///
/// # Errors
/// As [`resolution_u`].
pub fn reading_pair_u(d: f64) -> Result<f64, NoEstimate> {
    Ok(resolution_u(d)? * std::f64::consts::SQRT_2)
}

/// A finite number from 0 on.
pub(crate) fn positive_or_zero(what: &'static str, value: f64) -> Result<f64, NoEstimate> {
    finite(what, value)?;
    if value >= 0.0 {
        Ok(value)
    } else {
        Err(NoEstimate::OutOfRange { what, value, low: 0.0, high: f64::MAX })
    }
}

/// A finite number above 0.
pub(crate) fn positive(what: &'static str, value: f64) -> Result<f64, NoEstimate> {
    finite(what, value)?;
    if value > 0.0 {
        Ok(value)
    } else {
        Err(NoEstimate::OutOfRange { what, value, low: f64::MIN_POSITIVE, high: f64::MAX })
    }
}

/// A confidence level, strictly between 0 and 1.
pub(crate) fn confidence(level: f64) -> Result<f64, NoEstimate> {
    finite("the confidence level", level)?;
    if level > 0.0 && level < 1.0 {
        Ok(level)
    } else {
        Err(NoEstimate::OutOfRange { what: "the confidence level", value: level, low: 0.0, high: 1.0 })
    }
}
