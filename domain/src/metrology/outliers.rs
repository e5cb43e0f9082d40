//! Readings that do not belong to the rest. They are flagged, never removed.

use serde::Serialize;

use super::resolution::{positive, resolution_u};
use crate::distributions::student_t_upper_quantile;
use crate::no_estimate::{NoEstimate, finite};

/// Modified z from which on a reading is flagged (Iglewicz and Hoaglin 1993; from memory).
pub const MODIFIED_Z_LIMIT: f64 = 3.5;

/// 75th percentile of the normal distribution as Iglewicz and Hoaglin round it: MAD is 0.6745 standard deviations.
const MAD_TO_SD: f64 = 0.6745;

/// Readings judged by their distance from the median.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct MedianDistances {
    /// Median.
    pub median: f64,
    /// Median absolute deviation from it.
    pub mad: f64,
    /// The scale the distances were divided by: MAD / 0.6745, or the resolution's d / sqrt 12 where that is greater.
    pub scale: f64,
    /// Whether the resolution set the scale.
    pub floored: bool,
    /// (x - median) / scale, in the order of the input.
    pub z: Vec<f64>,
    /// Positions with |z| above [`MODIFIED_Z_LIMIT`].
    pub flagged: Vec<usize>,
}

/// Median of finite values; the mean of the middle two for an even number.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    let n = sorted.len();
    // Halved first, so that the sum of two large values stays finite.
    if n % 2 == 1 { sorted[n / 2] } else { 0.5 * sorted[n / 2 - 1] + 0.5 * sorted[n / 2] }
}

/// Modified z of each value, 0.6745 (x - median) / MAD, with the resolution `d` (same unit; 0 when there is none) as a
/// floor: rounding makes half the values equal and the MAD zero, which must not turn the next digit into an outlier.
///
/// # Errors
/// `TooFew` for fewer than three values; `NotFinite`, `OutOfRange`; `NoSpread` when MAD and resolution are both 0.
pub fn modified_z(values: &[f64], d: f64) -> Result<MedianDistances, NoEstimate> {
    at_least_three(values)?;
    let floor = resolution_u(d)?;
    let median_value = finite("the median", median(values))?;
    let deviations: Vec<f64> = values.iter().map(|x| (x - median_value).abs()).collect();
    let mad = finite("the median deviation", median(&deviations))?;
    let by_mad = mad / MAD_TO_SD;
    let scale = by_mad.max(floor);
    if scale == 0.0 {
        return Err(NoEstimate::NoSpread { what: "values (at least half of them)" });
    }
    let z: Vec<f64> = values.iter().map(|x| (x - median_value) / scale).collect();
    for z in &z {
        finite("a modified z", *z)?;
    }
    let flagged = (0..z.len()).filter(|i| z[*i].abs() > MODIFIED_Z_LIMIT).collect();
    Ok(MedianDistances { median: median_value, mad, scale, floored: floor > by_mad, z, flagged })
}

/// On which side an outlier is looked for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The greatest value only.
    Upper,
    /// The least value only.
    Lower,
    /// Either.
    Both,
}

/// Grubbs' test of one outlier.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Grubbs {
    /// Mean.
    pub mean: f64,
    /// Standard deviation (n - 1).
    pub sd: f64,
    /// Distance of the extreme value from the mean in standard deviations.
    pub g: f64,
    /// Its position.
    pub index: usize,
    /// Critical value.
    pub critical: f64,
    /// Whether g exceeds it.
    pub outlier: bool,
    /// Number of values.
    pub n: usize,
}

/// Critical value of Grubbs' statistic, (n-1)/sqrt n sqrt(t^2 / (n-2+t^2)) with t the upper quantile of Student's t at n - 2
/// degrees of freedom and tail alpha / (2n), or alpha / n when one side was fixed beforehand.
///
/// Source: NIST/SEMATECH e-Handbook 1.3.5.17.1. Computed and not typed, because printed tables carry misprints.
///
/// # Errors
/// `TooFew` for n below 3; `OutOfRange` for alpha outside 0 to 1; `NotFinite`.
pub fn grubbs_critical(n: usize, alpha: f64, side: Side) -> Result<f64, NoEstimate> {
    if n < 3 {
        return Err(NoEstimate::TooFew { what: "values", needed: 3, got: n });
    }
    super::resolution::confidence(alpha)?;
    let count = n as f64;
    let sides = if side == Side::Both { 2.0 } else { 1.0 };
    let t = student_t_upper_quantile(alpha / (sides * count), count - 2.0);
    // t^2 / (n - 2 + t^2), written so that a huge t gives 1 and not infinity over infinity.
    let share = 1.0 / (1.0 + (count - 2.0) / (t * t));
    finite("the critical value", (count - 1.0) / count.sqrt() * share.sqrt())
}

/// Grubbs' test at significance `alpha` (0.05 by custom). Assumes the rest to be normal; says nothing of a second outlier.
///
/// # Errors
/// As [`grubbs_critical`]; `NoSpread` when all values are equal.
pub fn grubbs(values: &[f64], alpha: f64, side: Side) -> Result<Grubbs, NoEstimate> {
    at_least_three(values)?;
    let critical = grubbs_critical(values.len(), alpha, side)?;
    let n = values.len();
    let shifted: Vec<f64> = values.iter().map(|x| x - values[0]).collect();
    let offset = shifted.iter().sum::<f64>() / n as f64;
    let deviations: Vec<f64> = shifted.iter().map(|x| x - offset).collect();
    let largest = deviations.iter().fold(0.0f64, |most, d| most.max(d.abs()));
    if shifted.iter().all(|x| *x == 0.0) {
        return Err(NoEstimate::NoSpread { what: "values" });
    }
    positive("the spread", largest)?;
    let sd =
        largest * (deviations.iter().map(|d| (d / largest).powi(2)).sum::<f64>() / (n - 1) as f64).sqrt();
    let distance = |i: usize| match side {
        Side::Upper => deviations[i],
        Side::Lower => -deviations[i],
        Side::Both => deviations[i].abs(),
    };
    let index = (0..n).fold(0, |best, i| if distance(i) > distance(best) { i } else { best });
    let g = finite("the statistic", distance(index) / positive("the standard deviation", sd)?)?;
    let mean = finite("the mean", values[0] + offset)?;
    Ok(Grubbs { mean, sd, g, index, critical, outlier: g > critical, n })
}

fn at_least_three(values: &[f64]) -> Result<(), NoEstimate> {
    if values.len() < 3 {
        return Err(NoEstimate::TooFew { what: "values", needed: 3, got: values.len() });
    }
    values.iter().try_for_each(|x| finite("a value", *x).map(drop))
}
