//! Two groups of values: Welch's test for different things, the paired test for the same things twice.

use super::series::{
    Interval, MIN_POINTS, check_level, check_values, mean, squares_about_mean, t_for_level, t_two_sided,
};
use crate::no_estimate::{NoEstimate, finite};

/// Result of Welch's test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Welch {
    /// Mean of the first less mean of the second.
    pub difference: f64,
    /// Interval of the difference.
    pub interval: Interval,
    /// t statistic.
    pub t: f64,
    /// Degrees of freedom (Welch and Satterthwaite).
    pub dof: f64,
    /// Two-sided p value.
    pub p: f64,
    /// Number of values of each.
    pub n: (usize, usize),
}

/// Welch's t test of two independent groups with variances of their own (Welch 1947, Biometrika 34:28).
///
/// # Errors
/// [`NoEstimate`] for fewer than three values in a group, values that are not finite, groups that both have no spread, or
/// a level outside 0.5 to 0.999 999.
pub fn welch(first: &[f64], second: &[f64], level: f64) -> Result<Welch, NoEstimate> {
    check_level(level)?;
    check_values("values of a group", first, MIN_POINTS)?;
    check_values("values of a group", second, MIN_POINTS)?;
    let (n1, n2) = (first.len() as f64, second.len() as f64);
    let v1 = squares_about_mean(first) / (n1 - 1.0) / n1;
    let v2 = squares_about_mean(second) / (n2 - 1.0) / n2;
    let se = (v1 + v2).sqrt();
    if !se.is_normal() {
        return Err(NoEstimate::NoSpread { what: "values of each group" });
    }
    // Shares of the variance rather than variances, whose squares could underflow.
    let (w1, w2) = (v1 / (v1 + v2), v2 / (v1 + v2));
    let dof = 1.0 / (w1 * w1 / (n1 - 1.0) + w2 * w2 / (n2 - 1.0));
    let difference = mean(first) - mean(second);
    let t = finite("t", difference / se)?;
    Ok(Welch {
        difference,
        interval: Interval::around(difference, t_for_level(level, dof)? * se, level)?,
        t,
        dof,
        p: t_two_sided(t, dof),
        n: (first.len(), second.len()),
    })
}

/// Result of the paired test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PairedT {
    /// Mean of first less second.
    pub difference: f64,
    /// Interval of the difference.
    pub interval: Interval,
    /// t statistic.
    pub t: f64,
    /// Degrees of freedom, n - 1.
    pub dof: usize,
    /// Two-sided p value.
    pub p: f64,
    /// Number of pairs.
    pub n: usize,
}

/// First less second, pair by pair.
///
/// # Errors
/// [`NoEstimate`] for different lengths, fewer than three pairs, or values that are not finite.
pub(super) fn differences(first: &[f64], second: &[f64]) -> Result<Vec<f64>, NoEstimate> {
    if first.len() != second.len() {
        return Err(NoEstimate::LengthMismatch { what: "pairs", left: first.len(), right: second.len() });
    }
    check_values("pairs", first, MIN_POINTS)?;
    check_values("pairs", second, MIN_POINTS)?;
    Ok(first.iter().zip(second).map(|(a, b)| a - b).collect())
}

/// Student's t test of pairs: the same things weighed twice (Student 1908).
///
/// # Errors
/// [`NoEstimate`] for different lengths, fewer than three pairs, values that are not finite, differences that are all
/// equal, or a level outside 0.5 to 0.999 999.
pub fn paired_t(first: &[f64], second: &[f64], level: f64) -> Result<PairedT, NoEstimate> {
    check_level(level)?;
    let d = differences(first, second)?;
    let n = d.len() as f64;
    let se = (squares_about_mean(&d) / (n - 1.0) / n).sqrt();
    let difference = mean(&d);
    // Differences of decimal fractions that are equal on paper differ in the last bit.
    let largest = first.iter().chain(second).fold(0.0f64, |a, v| a.max(v.abs()));
    if !se.is_normal() || se <= 4.0 * f64::EPSILON * largest {
        return Err(NoEstimate::NoSpread { what: "differences" });
    }
    let t = finite("t", difference / se)?;
    Ok(PairedT {
        difference,
        interval: Interval::around(difference, t_for_level(level, n - 1.0)? * se, level)?,
        t,
        dof: d.len() - 1,
        p: t_two_sided(t, n - 1.0),
        n: d.len(),
    })
}
