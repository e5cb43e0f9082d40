//! The Theil-Sen line: the median of the slopes between all pairs of points.

use super::series::{Interval, check_points, double_midranks, median, tie_term, z_for_level};
use super::slope_selection::Slopes;
use crate::no_estimate::{NoEstimate, finite};

/// A Theil-Sen line.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct TheilSen {
    /// Median slope, y per x.
    pub slope: f64,
    /// Interval of the slope.
    pub interval: Interval,
    /// `median(y) - slope median(x)`.
    pub intercept_separate: f64,
    /// `median(y - slope x)`.
    pub intercept_joint: f64,
    /// Number of points.
    pub n: usize,
    /// Number of pairs with distinct x.
    pub pairs: u64,
}

/// Theil-Sen line with the rank interval of its slope. The order of the points does not matter.
///
/// Sen 1968, J Am Stat Assoc 63:1379: the slopes of rank `(N -+ z sqrt(Var S))/2` of N, where Var S is Kendall's variance
/// corrected for ties in x and in y. Memory and time grow as n log n (plus the pairs that lie next to the answer).
///
/// # Errors
/// [`NoEstimate`] for different lengths, fewer than three points, values that are not finite, x or y that are all equal,
/// or a level outside 0.5 to 0.999 999.
pub fn theil_sen(x: &[f64], y: &[f64], level: f64) -> Result<TheilSen, NoEstimate> {
    let z = z_for_level(level)?;
    check_points(x, y)?;
    let slopes = Slopes::new(x, y);
    let n = x.len() as f64;
    let ties = tie_term(&double_midranks(x, 0.0).1) + tie_term(&double_midranks(y, 0.0).1);
    let spread = z * ((n * (n - 1.0) * (2.0 * n + 5.0) - ties).max(0.0) / 18.0).sqrt();
    let (pairs, last) = (slopes.pairs as f64, slopes.pairs - 1);
    // Float to integer conversion saturates, so a negative rank is 0.
    let low = (((pairs - spread) / 2.0).round_ties_even() - 1.0).max(0.0) as u64;
    let high = (((pairs + spread) / 2.0).round_ties_even().max(0.0) as u64).min(last);
    let low = low.min(last);
    let found = slopes.select(&[low, last / 2, slopes.pairs / 2, high])?;
    let slope = finite("slope", f64::midpoint(found[1], found[2]))?;
    let residuals: Vec<f64> = x.iter().zip(y).map(|(x, y)| y - slope * x).collect();
    Ok(TheilSen {
        slope,
        interval: Interval { low: found[0], high: found[3], level },
        intercept_separate: finite("intercept", median(y) - slope * median(x))?,
        intercept_joint: finite("intercept", median(&residuals))?,
        n: x.len(),
        pairs: slopes.pairs,
    })
}
