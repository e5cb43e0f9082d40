//! A calibration line: what a straight line through corrections says at any place, and how surely.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use crate::least_squares;
use crate::no_estimate::{NoEstimate, finite};

/// A fitted line y = intercept + slope (x - x0).
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CalibrationLine {
    /// Value at the reference place.
    pub intercept: f64,
    /// Its standard uncertainty.
    pub u_intercept: f64,
    /// Change of y by x.
    pub slope: f64,
    /// Its standard uncertainty.
    pub u_slope: f64,
    /// Correlation of intercept and slope.
    pub r: f64,
    /// Residual standard deviation.
    pub s: f64,
    /// Degrees of freedom of all of these, n - 2.
    pub dof: usize,
    /// Number of points.
    pub n: usize,
    /// Reference place.
    pub x0: f64,
}

/// A value read off a line.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct LineValue {
    /// The value.
    pub value: f64,
    /// Standard uncertainty of the line there (not of a further observation).
    pub u: f64,
    /// Its degrees of freedom.
    pub dof: usize,
}

/// Fits y = a + b (x - x0) by least squares. Source: JCGM 100:2008, annex H.3.
///
/// # Errors
/// `LengthMismatch`; `TooFew` for fewer than three points; `NotFinite`; `NoSpread` when all x are equal.
pub fn calibration_line(x: &[f64], y: &[f64], x0: f64) -> Result<CalibrationLine, NoEstimate> {
    if x.len() != y.len() {
        return Err(NoEstimate::LengthMismatch { what: "x and y", left: x.len(), right: y.len() });
    }
    if x.len() < 3 {
        return Err(NoEstimate::TooFew { what: "points", needed: 3, got: x.len() });
    }
    for (x, y) in x.iter().zip(y) {
        finite("x", *x)?;
        finite("y", *y)?;
    }
    finite("the reference place", x0)?;
    let n = x.len();
    // Fitting about the middle keeps the two coefficients apart however far x0 lies.
    let middle = x.iter().map(|x| x / n as f64).sum::<f64>();
    let level = y[0];
    let design = DMatrix::from_fn(n, 2, |row, column| if column == 0 { 1.0 } else { x[row] - middle });
    let observed = DVector::from_iterator(n, y.iter().map(|y| y - level));
    let fit = least_squares::fit(&design, &observed, "the slope and the level").map_err(|why| match why {
        NoEstimate::Singular { .. } => NoEstimate::NoSpread { what: "x" },
        other => other,
    })?;
    let s = fit.s().ok_or(NoEstimate::TooFew { what: "points", needed: 3, got: n })?;
    let at = [1.0, x0 - middle];
    let u_intercept = s * fit.leverage_at(&at).sqrt();
    let u_slope = s * fit.inverse[(1, 1)].sqrt();
    let covariance = s * s * (fit.inverse[(0, 1)] + at[1] * fit.inverse[(1, 1)]);
    let r = if u_intercept > 0.0 && u_slope > 0.0 { covariance / (u_intercept * u_slope) } else { 0.0 };
    Ok(CalibrationLine {
        intercept: finite("the intercept", level + fit.value_at(&at))?,
        u_intercept: finite("the intercept's uncertainty", u_intercept)?,
        slope: fit.beta[1],
        u_slope,
        r: r.clamp(-1.0, 1.0),
        s,
        dof: fit.dof,
        n,
        x0,
    })
}

impl CalibrationLine {
    /// The line's value at `x`, u^2 = u_a^2 + (x - x0)^2 u_b^2 + 2 (x - x0) r u_a u_b (JCGM 100:2008, H.13 and H.14).
    ///
    /// # Errors
    /// `NotFinite`.
    pub fn at(&self, x: f64) -> Result<LineValue, NoEstimate> {
        let distance = finite("x", x)? - self.x0;
        let from_slope = distance * self.u_slope;
        let variance =
            self.u_intercept.powi(2) + from_slope.powi(2) + 2.0 * self.r * self.u_intercept * from_slope;
        Ok(LineValue {
            value: finite("the value", self.intercept + self.slope * distance)?,
            u: finite("the uncertainty", variance.max(0.0).sqrt())?,
            dof: self.dof,
        })
    }
}
