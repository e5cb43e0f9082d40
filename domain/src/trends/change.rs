//! Did the level of a series change, and where? Pettitt's rank test and the cumulative sum.

use super::series::{Series, double_midranks, mean, squares_about_mean};
use crate::no_estimate::NoEstimate;

/// The least length of a series that is searched for a change (a judgement).
pub const MIN_SERIES: usize = 10;
/// The least number of points on either side of a change (a judgement).
pub const MIN_SIDE: usize = 4;

pub(super) fn long_enough(series: &Series<'_>) -> Result<usize, NoEstimate> {
    let n = series.values().len();
    if n < MIN_SERIES {
        return Err(NoEstimate::TooFew { what: "points", needed: MIN_SERIES, got: n });
    }
    Ok(n)
}

fn not_at_an_end(last_before: usize, n: usize) -> Result<usize, NoEstimate> {
    if last_before < MIN_SIDE || n - last_before < MIN_SIDE {
        return Err(NoEstimate::Because("the likeliest change leaves fewer than 4 points on one side"));
    }
    Ok(last_before)
}

/// Result of Pettitt's test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Pettitt {
    /// Largest absolute value of `U_t = 2 sum of the first t ranks - t (n + 1)`.
    pub k: f64,
    /// The t of that value, counted from 1: the number of points before the change.
    pub t: usize,
    /// Approximate two-sided p value, at most 1.
    pub p: f64,
    /// Number of points.
    pub n: usize,
}

impl Pettitt {
    /// Number of points before the change.
    ///
    /// # Errors
    /// [`NoEstimate`] when fewer than four points lie on one side.
    pub fn points_before(&self) -> Result<usize, NoEstimate> {
        not_at_an_end(self.t, self.n)
    }
}

/// Pettitt's test for one change of level (Pettitt 1979, Appl Stat 28:126): `p = 2 exp(-6 K^2/(n^3 + n^2))`, good for p
/// below 0.5. Ties share their mean rank.
///
/// # Errors
/// [`NoEstimate::TooFew`] below ten points.
pub fn pettitt(series: &Series<'_>) -> Result<Pettitt, NoEstimate> {
    let n = long_enough(series)?;
    let (doubled_ranks, _) = double_midranks(series.values(), 0.0);
    let (mut u, mut k, mut t) = (0i64, 0i64, 0usize);
    for (index, &rank) in doubled_ranks.iter().enumerate() {
        u += rank as i64 - (n as i64 + 1);
        if u.abs() > k.abs() {
            (k, t) = (u, index + 1);
        }
    }
    let (k, m) = (k.abs() as f64, n as f64);
    Ok(Pettitt { k, t, p: (2.0 * (-6.0 * k * k / (m.powi(3) + m * m)).exp()).min(1.0), n })
}

/// Result of the cumulative sum.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Cusum {
    /// Largest absolute cumulative sum of deviations from the mean, in the unit of the values.
    pub max_abs: f64,
    /// Where it is reached, counted from 1: the number of points before the change.
    pub t: usize,
    /// `max|S| / (s sqrt(n))`, s the sample standard deviation.
    pub scaled: f64,
    /// Asymptotic p value of `scaled`, by the distribution of the largest value of a Brownian bridge (Kolmogorov).
    pub p: f64,
    /// Number of points.
    pub n: usize,
}

impl Cusum {
    /// Number of points before the change.
    ///
    /// # Errors
    /// [`NoEstimate`] when fewer than four points lie on one side.
    pub fn points_before(&self) -> Result<usize, NoEstimate> {
        not_at_an_end(self.t, self.n)
    }
}

/// Cumulative sum of deviations from the mean (Page 1954 in its retrospective form).
///
/// # Errors
/// [`NoEstimate::TooFew`] below ten points.
pub fn cusum(series: &Series<'_>) -> Result<Cusum, NoEstimate> {
    let n = long_enough(series)?;
    let values = series.values();
    let centre = mean(values);
    let (mut sum, mut max_abs, mut t) = (0.0, 0.0, 0);
    for (index, value) in values.iter().enumerate() {
        sum += value - centre;
        if f64::abs(sum) > max_abs {
            (max_abs, t) = (sum.abs(), index + 1);
        }
    }
    let sd = (squares_about_mean(values) / (n as f64 - 1.0)).sqrt();
    if !sd.is_normal() {
        return Err(NoEstimate::NoSpread { what: "values" });
    }
    let scaled = max_abs / (sd * (n as f64).sqrt());
    Ok(Cusum { max_abs, t, scaled, p: brownian_bridge_p(scaled), n })
}

/// P(largest absolute value of a Brownian bridge > q) = `2 sum (-1)^(k+1) exp(-2 k^2 q^2)`.
fn brownian_bridge_p(q: f64) -> f64 {
    if q < 0.2 {
        return 1.0; // to 12 digits; the series converges slowly there
    }
    let sum: f64 = (1..=40)
        .map(|k| {
            let term = (-2.0 * f64::from(k * k) * q * q).exp();
            if k % 2 == 1 { term } else { -term }
        })
        .sum();
    (2.0 * sum).clamp(0.0, 1.0)
}
