//! Wilcoxon's signed-rank test of pairs, for few or skewed differences.

use super::compare::differences;
use super::series::double_midranks;
use crate::distributions::normal_sf;
use crate::no_estimate::NoEstimate;

/// Up to this many non-zero differences the distribution is exact.
const EXACT_UP_TO: usize = 50;

/// Result of the signed-rank test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SignedRank {
    /// The smaller of the two rank sums.
    pub w: f64,
    /// Sum of the ranks of positive differences (first above second).
    pub w_plus: f64,
    /// Sum of the ranks of negative differences.
    pub w_minus: f64,
    /// Two-sided p value.
    pub p: f64,
    /// Whether p is exact: over all signs, given the ranks, ties among them included. Otherwise normal, without
    /// continuity correction.
    pub exact: bool,
    /// Differences that are not zero, which is all that count.
    pub n: usize,
    /// Differences that are zero and were dropped, as Wilcoxon did.
    pub zeros: usize,
}

/// Wilcoxon's signed-rank test (Wilcoxon 1945, Biometrics Bulletin 1:80).
///
/// Differences that agree to 12 digits of the largest value are tied (or zero): decimal fractions equal on paper differ in
/// the last bits.
///
/// # Errors
/// [`NoEstimate`] for different lengths, fewer than three pairs, values that are not finite, or no pair that differs.
pub fn signed_rank(first: &[f64], second: &[f64]) -> Result<SignedRank, NoEstimate> {
    let d = differences(first, second)?;
    let tolerance = 1e-12 * first.iter().chain(second).fold(0.0f64, |a, v| a.max(v.abs()));
    let nonzero: Vec<f64> = d.iter().copied().filter(|d| d.abs() > tolerance).collect();
    let n = nonzero.len();
    if n == 0 {
        return Err(NoEstimate::NoSpread { what: "pairs" });
    }
    let sizes: Vec<f64> = nonzero.iter().map(|d| d.abs()).collect();
    let (doubled, groups) = double_midranks(&sizes, tolerance);
    let total: u64 = doubled.iter().sum();
    let plus: u64 = nonzero.iter().zip(&doubled).filter(|(d, _)| **d > 0.0).map(|(_, r)| r).sum();
    let low = plus.min(total - plus);
    let (p, exact) = if n <= EXACT_UP_TO {
        (exact_p(&doubled, low), true)
    } else {
        let m = n as f64;
        let ties: f64 = groups.iter().map(|&t| (t as f64).powi(3) - t as f64).sum();
        let variance = m * (m + 1.0) * (2.0 * m + 1.0) / 24.0 - ties / 48.0;
        let z = (total as f64 / 4.0 - low as f64 / 2.0) / variance.sqrt();
        ((2.0 * normal_sf(z)).min(1.0), false)
    };
    Ok(SignedRank {
        w: low as f64 / 2.0,
        w_plus: plus as f64 / 2.0,
        w_minus: (total - plus) as f64 / 2.0,
        p,
        exact,
        n,
        zeros: d.len() - n,
    })
}

/// Twice the probability that random signs give a rank sum of at most `low`, all in doubled ranks; by symmetry the upper
/// tail is the same.
fn exact_p(doubled_ranks: &[u64], low: u64) -> f64 {
    // Only sums up to `low` matter.
    let mut probability = vec![0.0; low as usize + 1];
    probability[0] = 1.0;
    for &rank in doubled_ranks {
        for sum in (0..probability.len()).rev() {
            let without = probability[sum];
            let with = sum.checked_sub(rank as usize).map_or(0.0, |before| probability[before]);
            probability[sum] = 0.5 * (without + with);
        }
    }
    (2.0 * probability.iter().sum::<f64>()).min(1.0)
}
