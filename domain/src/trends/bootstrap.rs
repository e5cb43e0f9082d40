//! Bootstrap intervals with a given seed: same seed, same answer, on every machine.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{RngCore, SeedableRng};

use super::series::{Interval, MIN_POINTS, all_equal, check_level, check_values};
use crate::distributions::{normal_cdf, normal_quantile};
use crate::no_estimate::{NoEstimate, finite};

/// Least and greatest number of resamples.
const RESAMPLES: (u32, u32) = (200, 1_000_000);

/// Bootstrap intervals of a statistic.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bootstrap {
    /// The statistic of the values themselves.
    pub estimate: f64,
    /// Standard deviation over the resamples.
    pub standard_error: f64,
    /// Percentile interval.
    pub percentile: Interval,
    /// Interval corrected for bias and acceleration.
    pub bca: Interval,
    /// Number of resamples.
    pub resamples: u32,
    /// Number of values.
    pub n: usize,
}

/// Percentile and BCa intervals of a statistic (Efron 1987, J Am Stat Assoc 82:171; acceleration by the jackknife).
///
/// The bounds carry the noise of resampling, which falls with the root of the number of resamples.
///
/// # Errors
/// [`NoEstimate`] for fewer than three values, values that are not finite or all equal, a statistic that is not finite or
/// does not vary, 200 to 1 000 000 resamples not kept, or a level outside 0.5 to 0.999 999.
pub fn bootstrap(
    values: &[f64],
    statistic: impl Fn(&[f64]) -> f64,
    level: f64,
    resamples: u32,
    seed: u64,
) -> Result<Bootstrap, NoEstimate> {
    check_level(level)?;
    check_values("values", values, MIN_POINTS)?;
    if all_equal(values) {
        return Err(NoEstimate::NoSpread { what: "values" });
    }
    if !(RESAMPLES.0..=RESAMPLES.1).contains(&resamples) {
        return Err(NoEstimate::OutOfRange {
            what: "number of resamples",
            value: resamples.into(),
            low: RESAMPLES.0.into(),
            high: RESAMPLES.1.into(),
        });
    }
    let n = values.len();
    let estimate = finite("statistic", statistic(values))?;
    let mut generator = ChaCha8Rng::seed_from_u64(seed);
    let mut sample = vec![0.0; n];
    let mut replicates = Vec::with_capacity(resamples as usize);
    for _ in 0..resamples {
        for slot in &mut sample {
            *slot = values[below(&mut generator, n)];
        }
        replicates.push(finite("statistic", statistic(&sample))?);
    }
    replicates.sort_unstable_by(f64::total_cmp);
    if replicates[0] == replicates[replicates.len() - 1] {
        return Err(NoEstimate::NoSpread { what: "resampled statistics" });
    }

    let tail = 0.5 * (1.0 - level);
    let percentile =
        Interval { low: quantile(&replicates, tail), high: quantile(&replicates, 1.0 - tail), level };
    let bca = bca(values, &statistic, &replicates, estimate, level)?;
    let count = f64::from(resamples);
    let mean = replicates.iter().sum::<f64>() / count;
    let variance = replicates.iter().map(|r| (r - mean).powi(2)).sum::<f64>() / (count - 1.0);
    Ok(Bootstrap {
        estimate,
        standard_error: finite("standard error", variance.sqrt())?,
        percentile,
        bca,
        resamples,
        n,
    })
}

/// A whole number below n, by the high half of a product (bias below n/2^64).
fn below(generator: &mut ChaCha8Rng, n: usize) -> usize {
    ((u128::from(generator.next_u64()) * n as u128) >> 64) as usize
}

fn bca(
    values: &[f64],
    statistic: &impl Fn(&[f64]) -> f64,
    replicates: &[f64],
    estimate: f64,
    level: f64,
) -> Result<Interval, NoEstimate> {
    let below = replicates.partition_point(|&r| r < estimate);
    let not_above = replicates.partition_point(|&r| r <= estimate);
    // Resamples equal to the estimate count half below.
    let share = (below + not_above) as f64 / (2 * replicates.len()) as f64;
    if share <= 0.0 || share >= 1.0 {
        return Err(NoEstimate::Because("every resampled statistic lies on one side of the estimate"));
    }
    let bias = normal_quantile(share);

    let n = values.len();
    let mut rest = values[1..].to_vec();
    let mut left_out = Vec::with_capacity(n);
    for index in 0..n {
        left_out.push(finite("statistic", statistic(&rest))?);
        if index + 1 < n {
            rest[index] = values[index];
        }
    }
    let mean = left_out.iter().sum::<f64>() / n as f64;
    let largest = left_out.iter().fold(0.0f64, |a, v| a.max((mean - v).abs()));
    let acceleration = if largest > 0.0 {
        // In units of the largest influence, so that the cubes neither over- nor underflow.
        let influence = left_out.iter().map(|v| (mean - v) / largest);
        let squares: f64 = influence.clone().map(|u| u * u).sum();
        influence.map(|u| u.powi(3)).sum::<f64>() / (6.0 * squares.powf(1.5))
    } else {
        0.0
    };

    let bound = |p: f64| {
        let z = bias + normal_quantile(p);
        let shrink = 1.0 - acceleration * z;
        if shrink <= 0.0 {
            return Err(NoEstimate::Because("the acceleration is too large for this level"));
        }
        Ok(quantile(replicates, normal_cdf(bias + z / shrink)))
    };
    let tail = 0.5 * (1.0 - level);
    Ok(Interval { low: bound(tail)?, high: bound(1.0 - tail)?, level })
}

/// Quantile of sorted values by linear interpolation between order statistics (Hyndman and Fan 1996, definition 7).
fn quantile(sorted: &[f64], p: f64) -> f64 {
    let at = p * (sorted.len() - 1) as f64;
    let below = at.floor() as usize;
    let above = (below + 1).min(sorted.len() - 1);
    sorted[below] + (at - below as f64) * (sorted[above] - sorted[below])
}
