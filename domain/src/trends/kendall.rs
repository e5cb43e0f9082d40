//! The Mann-Kendall test for a monotone trend.

use super::series::{Series, double_midranks, inversions, tie_term};
use crate::distributions::normal_sf;
use crate::no_estimate::NoEstimate;

/// Up to this many points without ties the exact distribution is used, as is common for the test.
const EXACT_UP_TO: usize = 10;

/// Result of the Mann-Kendall test.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct MannKendall {
    /// Rising pairs less falling pairs.
    pub s: i64,
    /// Variance of S without a trend, corrected for ties.
    pub var_s: f64,
    /// Standard score with continuity correction.
    pub z: f64,
    /// Two-sided p value of z.
    pub p_normal: f64,
    /// Two-sided p value by the exact distribution, for at most ten points without ties.
    pub p_exact: Option<f64>,
    /// S over the number of pairs.
    pub tau_a: f64,
    /// Corrected for ties in the values.
    pub tau_b: f64,
    /// Number of points.
    pub n: usize,
}

impl MannKendall {
    /// The exact p value where there is one, else the normal one.
    #[must_use]
    pub fn p(&self) -> f64 {
        self.p_exact.unwrap_or(self.p_normal)
    }
}

/// Mann-Kendall test of a series in order of time (Mann 1945, Kendall 1975).
///
/// `Var S = [n(n-1)(2n+5) - sum t(t-1)(2t+5)]/18` over groups of t tied values, `z = (S -+ 1)/sqrt(Var S)`. Assumes
/// independent values.
///
/// # Errors
/// None beyond those of [`Series::new`]; the result is fallible for the sake of one calling form.
pub fn mann_kendall(series: &Series<'_>) -> Result<MannKendall, NoEstimate> {
    let values = series.values();
    let n = values.len();
    let pairs = (n as u64) * (n as u64 - 1) / 2;
    let (_, groups) = double_midranks(values, 0.0);
    let tied: u64 = groups.iter().map(|t| t * (t - 1) / 2).sum();
    let falling = inversions(&mut values.to_vec(), &mut Vec::with_capacity(n));
    let s = (pairs - tied) as i64 - 2 * falling as i64;
    let m = n as f64;
    let var_s = (m * (m - 1.0) * (2.0 * m + 5.0) - tie_term(&groups)) / 18.0;
    if var_s <= 0.0 {
        return Err(NoEstimate::NoSpread { what: "values" });
    }
    let z = (s - s.signum()) as f64 / var_s.sqrt();
    let untied = (pairs - tied) as f64;
    Ok(MannKendall {
        s,
        var_s,
        z,
        p_normal: (2.0 * normal_sf(z.abs())).min(1.0),
        p_exact: if n <= EXACT_UP_TO && tied == 0 { Some(exact_two_sided_p(n, s)?) } else { None },
        tau_a: s as f64 / pairs as f64,
        tau_b: s as f64 / (pairs as f64 * untied).sqrt(),
        n,
    })
}

/// Exact two-sided p value of S for n untied values in random order, by the recursion over permutations (Kendall 1975):
/// the number of falling pairs is a sum of independent uniform counts 0..k for k below n.
///
/// # Errors
/// [`NoEstimate`] unless n is 2 to 200, `|S| <= n(n-1)/2`, and S has the parity of that number.
pub fn exact_two_sided_p(n: usize, s: i64) -> Result<f64, NoEstimate> {
    if !(2..=200).contains(&n) {
        return Err(NoEstimate::OutOfRange {
            what: "number of values",
            value: n as f64,
            low: 2.0,
            high: 200.0,
        });
    }
    let pairs = n * (n - 1) / 2;
    let distance = s.unsigned_abs() as usize;
    if distance > pairs || (pairs - distance) % 2 == 1 {
        return Err(NoEstimate::Because("no ordering of so many values has this S"));
    }
    let mut probability = vec![1.0];
    for k in 2..=n {
        let mut next = vec![0.0; probability.len() + k - 1];
        for (have, p) in probability.iter().enumerate() {
            for slot in &mut next[have..have + k] {
                *slot += p / k as f64;
            }
        }
        probability = next;
    }
    // |S| at least this large: at most this many falling pairs, and by symmetry twice that.
    let tail: f64 = probability[..=(pairs - distance) / 2].iter().sum();
    Ok(if distance == 0 { 1.0 } else { (2.0 * tail).min(1.0) })
}
