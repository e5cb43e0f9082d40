//! What the estimators take and what they give: checked series, intervals, ranks.

use crate::distributions::{normal_two_sided, student_t_sf, student_t_two_sided};
use crate::no_estimate::{NoEstimate, within};

/// The greatest magnitude of a value: squares and products of such values stay finite.
pub const MAX_MAGNITUDE: f64 = 1e100;

/// The least number of points from which anything is estimated.
pub(super) const MIN_POINTS: usize = 3;

/// An interval and its level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// Low end.
    pub low: f64,
    /// High end.
    pub high: f64,
    /// Confidence (or coverage) level, 0 to 1.
    pub level: f64,
}

impl Interval {
    pub(super) fn around(centre: f64, half_width: f64, level: f64) -> Result<Self, NoEstimate> {
        if half_width.is_finite() && centre.is_finite() {
            Ok(Self { low: centre - half_width, high: centre + half_width, level })
        } else {
            Err(NoEstimate::NotFinite { what: "interval" })
        }
    }
}

/// Checks a confidence level: 0.5 to 0.999 999.
pub(super) fn check_level(level: f64) -> Result<f64, NoEstimate> {
    within("level", level, 0.5, 0.999_999)
}

/// The z such that the central interval `-z..z` has the given level.
pub(super) fn z_for_level(level: f64) -> Result<f64, NoEstimate> {
    Ok(normal_two_sided(check_level(level)?))
}

/// The t such that the central interval `-t..t` has the given level.
pub(super) fn t_for_level(level: f64, dof: f64) -> Result<f64, NoEstimate> {
    Ok(student_t_two_sided(check_level(level)?, dof))
}

/// Two-sided p value of a t statistic.
pub(super) fn t_two_sided(t: f64, dof: f64) -> f64 {
    (2.0 * student_t_sf(t.abs(), dof)).min(1.0)
}

/// Checks values: enough, finite, not absurdly large.
pub(super) fn check_values(what: &'static str, values: &[f64], needed: usize) -> Result<(), NoEstimate> {
    if values.len() < needed {
        return Err(NoEstimate::TooFew { what, needed, got: values.len() });
    }
    values.iter().try_for_each(|&v| within(what, v, -MAX_MAGNITUDE, MAX_MAGNITUDE).map(drop))
}

/// Whether all values are equal.
pub(super) fn all_equal(values: &[f64]) -> bool {
    values.windows(2).all(|pair| pair[0] == pair[1])
}

/// Checks points: equal lengths, enough, finite, spread in x and in y.
pub(super) fn check_points(x: &[f64], y: &[f64]) -> Result<(), NoEstimate> {
    if x.len() != y.len() {
        return Err(NoEstimate::LengthMismatch { what: "times and values", left: x.len(), right: y.len() });
    }
    check_values("points", x, MIN_POINTS)?;
    check_values("points", y, MIN_POINTS)?;
    if all_equal(x) {
        return Err(NoEstimate::NoSpread { what: "times" });
    }
    if all_equal(y) {
        return Err(NoEstimate::NoSpread { what: "values" });
    }
    Ok(())
}

/// Values in strict order of time: what the tests for trend and change take, which depend on nothing but the order.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Series<'a> {
    values: &'a [f64],
}

impl<'a> Series<'a> {
    /// Checks a series of at least three points. Several values of one time must be averaged first.
    ///
    /// # Errors
    /// [`NoEstimate`] for different lengths, fewer than three points, values that are not finite, times that do not
    /// strictly increase, or values that are all equal.
    pub fn new(times: &[f64], values: &'a [f64]) -> Result<Self, NoEstimate> {
        check_points(times, values)?;
        if times.windows(2).any(|pair| pair[0] >= pair[1]) {
            return Err(NoEstimate::Unordered { what: "times" });
        }
        Ok(Self { values })
    }

    /// The values.
    #[must_use]
    pub fn values(&self) -> &'a [f64] {
        self.values
    }
}

/// Arithmetic mean, taken about the first value, so that a large common offset costs no digits.
pub(super) fn mean(values: &[f64]) -> f64 {
    let first = values[0];
    first + values.iter().map(|v| v - first).sum::<f64>() / values.len() as f64
}

/// Sum of squared deviations from the mean.
pub(super) fn squares_about_mean(values: &[f64]) -> f64 {
    let centre = mean(values);
    values.iter().map(|v| (v - centre).powi(2)).sum()
}

/// Median of values that are not NaN.
pub(super) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    let half = sorted.len() / 2;
    let (below, &mut middle, _) = sorted.select_nth_unstable_by(half, f64::total_cmp);
    if values.len() % 2 == 1 {
        middle
    } else {
        let left = below.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        f64::midpoint(left, middle)
    }
}

/// Twice the midrank of each value (whole numbers, ties share the mean of their ranks), and the sizes of the tied
/// groups. Values count as tied when they differ by at most `tolerance`.
pub(super) fn double_midranks(values: &[f64], tolerance: f64) -> (Vec<u64>, Vec<u64>) {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]));
    let mut ranks = vec![0; values.len()];
    let mut groups = Vec::new();
    let mut start = 0;
    while start < order.len() {
        let mut end = start + 1;
        while end < order.len() && values[order[end]] - values[order[end - 1]] <= tolerance {
            end += 1;
        }
        for &index in &order[start..end] {
            // Mean of the ranks start+1 ..= end, doubled.
            ranks[index] = (start + 1 + end) as u64;
        }
        groups.push((end - start) as u64);
        start = end;
    }
    (ranks, groups)
}

/// `sum t (t - 1)(2 t + 5)` over tied groups, the correction of Kendall's variance.
pub(super) fn tie_term(groups: &[u64]) -> f64 {
    groups.iter().map(|&t| t as f64 * (t as f64 - 1.0) * (2.0 * t as f64 + 5.0)).sum()
}

/// Number of pairs `i < j` with `values[i] > values[j]` (strictly), by merge sort; `values` ends up sorted.
pub(super) fn inversions<T: Copy + PartialOrd>(values: &mut [T], scratch: &mut Vec<T>) -> u64 {
    let n = values.len();
    let mut count = 0;
    // Short runs by insertion, then merges of doubling width.
    const RUN: usize = 12;
    for run in values.chunks_mut(RUN) {
        for end in 1..run.len() {
            let value = run[end];
            let mut at = end;
            while at > 0 && run[at - 1] > value {
                run[at] = run[at - 1];
                at -= 1;
            }
            run[at] = value;
            count += (end - at) as u64;
        }
    }
    let mut width = RUN;
    while width < n {
        for pair in values.chunks_mut(2 * width) {
            if pair.len() > width {
                count += merge_counting(pair, width, scratch);
            }
        }
        width *= 2;
    }
    count
}

fn merge_counting<T: Copy + PartialOrd>(pair: &mut [T], middle: usize, scratch: &mut Vec<T>) -> u64 {
    scratch.clear();
    scratch.extend_from_slice(&pair[..middle]);
    let (mut left, mut right, mut count) = (0, middle, 0);
    let mut out = 0;
    while left < scratch.len() && right < pair.len() {
        let take_right = scratch[left] > pair[right];
        if take_right {
            pair[out] = pair[right];
            count += (scratch.len() - left) as u64;
            right += 1;
        } else {
            pair[out] = scratch[left];
            left += 1;
        }
        out += 1;
    }
    let rest = scratch.len() - left;
    pair[out..out + rest].copy_from_slice(&scratch[left..]);
    count
}
