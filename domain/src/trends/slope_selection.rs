//! The k-th smallest of all slopes between pairs of points, without making all the pairs.
//!
//! A pair's slope is below m exactly when its two residuals `y - m x` are out of order, so the number of slopes below m
//! is a number of inversions, counted in n log n steps (the dual view of Cole, Salowe, Steiger and Szemeredi 1989,
//! SIAM J Comput 18:792). A fixed-seed sample of slopes brackets the wanted rank, counts at sample values narrow the
//! bracket until it holds few pairs, and those are listed and selected. The answer is the very number that sorting all
//! computed slopes gives: residuals are compared in twice the working precision, and the listed bracket is wider than the
//! rounding of a slope, so that no pair is on the wrong side of it.

use super::series::inversions;
use crate::no_estimate::NoEstimate;

/// Below this many points all slopes are simply made.
const SMALL: usize = 64;
/// Slopes sampled to bracket a rank.
const SAMPLE: usize = 8192;
/// More relative width than the rounding of two differences and a quotient can have.
const SLACK: f64 = 8.0 * f64::EPSILON;

/// Points in order of x, then y.
pub(super) struct Slopes {
    points: Vec<(f64, f64)>,
    /// Number of pairs with distinct x, each of which has a slope.
    pub(super) pairs: u64,
}

fn slope(a: (f64, f64), b: (f64, f64)) -> f64 {
    (b.1 - a.1) / (b.0 - a.0)
}

/// `y - m x` as an unevaluated sum of two numbers, high part first, which compares as a pair.
fn residual(m: f64, (x, y): (f64, f64)) -> (f64, f64) {
    let product = m * x;
    let product_low = m.mul_add(x, -product);
    let high = y - product;
    let back = high - y;
    let low = (y - (high - back)) - (product + back) - product_low;
    let sum = high + low;
    (sum, low - (sum - high))
}

/// A fixed sequence (Steele, Lea and Flood 2014, SplitMix64): only which pairs are sampled depends on it, never a result.
struct Sequence(u64);

impl Sequence {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        ((u128::from(z ^ (z >> 31)) * n as u128) >> 64) as usize
    }
}

impl Slopes {
    /// Over points that are finite and not all of one x.
    pub(super) fn new(x: &[f64], y: &[f64]) -> Self {
        // Adding 0 makes -0 into 0, which the total order would keep apart.
        let mut points: Vec<(f64, f64)> = x.iter().zip(y).map(|(x, y)| (x + 0.0, y + 0.0)).collect();
        points.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let n = points.len() as u64;
        let same: u64 =
            points.chunk_by(|a, b| a.0 == b.0).map(|g| g.len() as u64 * (g.len() as u64 - 1) / 2).sum();
        Self { points, pairs: n * (n - 1) / 2 - same }
    }

    /// Residuals at slope m in the order of the points; at minus infinity and infinity x alone decides.
    fn residuals(&self, m: f64) -> Vec<(f64, f64)> {
        if m == f64::NEG_INFINITY {
            self.points.clone()
        } else if m == f64::INFINITY {
            self.points.iter().map(|&(x, y)| (-x, y)).collect()
        } else {
            self.points.iter().map(|&p| residual(m, p)).collect()
        }
    }

    /// Number of slopes below m.
    fn count_below(&self, m: f64, scratch: &mut Vec<(f64, f64)>) -> u64 {
        if m == f64::NEG_INFINITY {
            return 0;
        }
        inversions(&mut self.residuals(m), scratch)
    }

    /// Number of slopes that are exactly 0: pairs of one y with distinct x.
    fn count_zero(&self) -> u64 {
        let choose = |t: usize| t as u64 * (t as u64 - 1) / 2;
        let mut by_y: Vec<(f64, f64)> = self.points.iter().map(|&(x, y)| (y, x)).collect();
        by_y.sort_by(|a, b| a.0.total_cmp(&b.0).then(a.1.total_cmp(&b.1)));
        let of_one_y: u64 = by_y.chunk_by(|a, b| a.0 == b.0).map(|g| choose(g.len())).sum();
        let alike: u64 = by_y.chunk_by(|a, b| a == b).map(|g| choose(g.len())).sum();
        of_one_y - alike
    }

    /// Calls `visit` with every slope from `low` to `high`, both included unless they are 0.
    ///
    /// Slopes of 0 can be half of all in coarsely resolved data, and are counted by [`Self::count_zero`] instead.
    fn visit_between(&self, low: f64, high: f64, visit: &mut impl FnMut(f64)) {
        let at_low = self.residuals(low);
        let mut order: Vec<u32> = (0..self.points.len() as u32).collect();
        // Stable: equal residuals at `low` stay in the order of x, which makes their slope one to visit.
        if low == 0.0 {
            order.reverse();
        }
        order.sort_by(|&a, &b| {
            at_low[a as usize].partial_cmp(&at_low[b as usize]).unwrap_or(std::cmp::Ordering::Equal)
        });
        let at_high = self.residuals(high);
        let mut keyed: Vec<((f64, f64), u32)> = order.iter().map(|&i| (at_high[i as usize], i)).collect();
        let mut scratch = Vec::with_capacity(keyed.len());
        let mut width = 1;
        while width < keyed.len() {
            for pair in keyed.chunks_mut(2 * width) {
                if pair.len() > width {
                    self.merge_visiting(pair, width, high != 0.0, &mut scratch, visit);
                }
            }
            width *= 2;
        }
    }

    fn merge_visiting(
        &self,
        pair: &mut [((f64, f64), u32)],
        middle: usize,
        with_high: bool,
        scratch: &mut Vec<((f64, f64), u32)>,
        visit: &mut impl FnMut(f64),
    ) {
        scratch.clear();
        scratch.extend_from_slice(&pair[..middle]);
        let (mut left, mut right) = (0, middle);
        for out in 0..pair.len() {
            if left == scratch.len() {
                break;
            }
            // A right element that is not above the left ones makes a pair with each of them.
            let crosses = right < pair.len()
                && (pair[right].0 < scratch[left].0 || with_high && pair[right].0 == scratch[left].0);
            if crosses {
                let b = self.points[pair[right].1 as usize];
                for &(_, index) in &scratch[left..] {
                    let a = self.points[index as usize];
                    if a.0 < b.0 {
                        visit(slope(a, b));
                    }
                }
                pair[out] = pair[right];
                right += 1;
            } else {
                pair[out] = scratch[left];
                left += 1;
            }
        }
    }

    fn sample(&self) -> Vec<f64> {
        let n = self.points.len();
        let mut sequence = Sequence(0x0005_EED0_F51E_0AE5);
        let mut slopes = Vec::with_capacity(SAMPLE + 2);
        slopes.push(f64::NEG_INFINITY);
        for _ in 0..4 * SAMPLE {
            let (i, j) = (sequence.below(n), sequence.below(n));
            let (a, b) = (self.points[i.min(j)], self.points[i.max(j)]);
            if a.0 < b.0 {
                slopes.push(slope(a, b));
                if slopes.len() > SAMPLE {
                    break;
                }
            }
        }
        slopes.extend([0.0, f64::INFINITY]);
        slopes.sort_by(f64::total_cmp);
        slopes.dedup();
        slopes
    }

    /// The slopes of the given ranks, counted from 0 for the smallest; ranks ascend.
    ///
    /// # Errors
    /// [`NoEstimate::NotFinite`] when points are so close in x that a slope overflows.
    pub(super) fn select(&self, ranks: &[u64]) -> Result<Vec<f64>, NoEstimate> {
        let selected =
            if self.points.len() <= SMALL { self.select_all(ranks) } else { self.select_some(ranks) };
        if selected.iter().all(|s| s.is_finite()) {
            Ok(selected)
        } else {
            Err(NoEstimate::NotFinite { what: "slope" })
        }
    }

    /// By making and sorting every slope.
    pub(super) fn select_all(&self, ranks: &[u64]) -> Vec<f64> {
        let mut slopes = Vec::with_capacity(self.pairs as usize);
        for (i, &a) in self.points.iter().enumerate() {
            slopes.extend(self.points[i + 1..].iter().filter(|b| a.0 < b.0).map(|&b| slope(a, b)));
        }
        slopes.sort_by(f64::total_cmp);
        ranks.iter().map(|&k| slopes[k as usize]).collect()
    }

    fn select_some(&self, ranks: &[u64]) -> Vec<f64> {
        let sample = self.sample();
        let few = 12 * self.points.len() as u64;
        let mut scratch = Vec::with_capacity(self.points.len());
        // Counts at sample values, which serve all ranks.
        let mut known = std::collections::BTreeMap::from([(0, 0), (sample.len() - 1, self.pairs)]);
        let zero = sample.partition_point(|&s| s < 0.0);
        let (negative, flat) = (self.count_below(0.0, &mut scratch), self.count_zero());
        known.insert(zero, negative);
        let mut listed: Option<Listed> = None;
        ranks
            .iter()
            .map(|&rank| {
                if (negative..negative + flat).contains(&rank) {
                    return 0.0;
                }
                let (mut below, mut above) = (0, sample.len() - 1);
                loop {
                    // Narrow with what is known, then halve.
                    for (&index, &count) in &known {
                        if count <= rank && index > below {
                            below = index;
                        } else if count > rank && index < above {
                            above = index;
                        }
                    }
                    if above - below <= 1 || known[&above] - known[&below] <= few {
                        break;
                    }
                    let at = below + (above - below) / 2;
                    known.insert(at, self.count_below(sample[at], &mut scratch));
                }
                let (low, high) = (sample[below], sample[above]);
                if listed.as_ref().is_none_or(|l| l.low != low || l.high != high) {
                    let mut list = self.list(low, high, &mut scratch);
                    if low == 0.0 {
                        list.before += flat;
                    }
                    listed = Some(list);
                }
                listed.as_mut().map_or(f64::NAN, |l| l.pick(rank))
            })
            .collect()
    }

    /// Lists the slopes of a bracket, widened by the rounding of a slope.
    fn list(&self, low: f64, high: f64, scratch: &mut Vec<(f64, f64)>) -> Listed {
        let (wide_low, wide_high) = (low - SLACK * low.abs(), high + SLACK * high.abs());
        let (wide_low, wide_high) =
            (if low.is_finite() { wide_low } else { low }, if high.is_finite() { wide_high } else { high });
        let before = self.count_below(wide_low, scratch);
        // Coarsely resolved data have millions of equal slopes; they are counted, not stored.
        let (mut at_low, mut at_high) = (0u64, 0u64);
        let mut slopes = Vec::new();
        self.visit_between(wide_low, wide_high, &mut |s| {
            if s == low {
                at_low += 1;
            } else if s == high {
                at_high += 1;
            } else {
                slopes.push(s);
            }
        });
        Listed { low, high, before, at_low, at_high, slopes }
    }
}

/// The slopes around a bracket, in no order; those equal to its ends only counted.
struct Listed {
    low: f64,
    high: f64,
    before: u64,
    at_low: u64,
    at_high: u64,
    slopes: Vec<f64>,
}

impl Listed {
    fn pick(&mut self, rank: u64) -> f64 {
        let Some(k) = rank.checked_sub(self.before) else { return f64::NAN };
        let under = self.slopes.iter().filter(|&&s| s < self.low).count() as u64;
        let within = self.slopes.iter().filter(|&&s| s < self.high).count() as u64;
        let index = if k < under {
            k
        } else if k < under + self.at_low {
            return self.low;
        } else if k < within + self.at_low {
            k - self.at_low
        } else if k < within + self.at_low + self.at_high {
            return self.high;
        } else {
            k - self.at_low - self.at_high
        };
        if index as usize >= self.slopes.len() {
            return f64::NAN;
        }
        *self.slopes.select_nth_unstable_by(index as usize, f64::total_cmp).1
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn check(x: &[f64], y: &[f64]) -> Result<(), TestCaseError> {
        let slopes = Slopes::new(x, y);
        let n = slopes.pairs;
        prop_assume!(n > 0);
        let ranks: Vec<u64> = [0, n / 40, n / 2, (n / 2 + 1).min(n - 1), n - 1 - n / 40, n - 1].to_vec();
        prop_assert_eq!(slopes.select_some(&ranks), slopes.select_all(&ranks));
        Ok(())
    }

    proptest! {
        #![proptest_config(ProptestConfig::with_cases(60))]

        #[test]
        fn select_real_values_equals_sorting_all_pairs(
            points in prop::collection::vec((-1e3f64..1e3, -1e3f64..1e3), 3..300),
        ) {
            let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().unzip();
            check(&x, &y)?;
        }

        #[test]
        fn select_coarse_values_equals_sorting_all_pairs(
            points in prop::collection::vec((0i32..40, 400i32..406), 3..300),
            step in prop::sample::select(vec![1.0, 0.1, 0.37]),
        ) {
            let (x, y): (Vec<f64>, Vec<f64>) =
                points.into_iter().map(|(x, y)| (f64::from(x) * 0.1, f64::from(y) * step)).unzip();
            check(&x, &y)?;
        }

        #[test]
        fn select_large_offset_equals_sorting_all_pairs(
            points in prop::collection::vec((0f64..1e4, 0f64..50.0), 3..200),
        ) {
            let (x, y): (Vec<f64>, Vec<f64>) = points.into_iter().map(|(x, y)| (x + 1.7e9, y - 3e-3 * x)).unzip();
            check(&x, &y)?;
        }

        #[test]
        fn select_straight_line_equals_sorting_all_pairs(n in 3usize..200, rate in -5.0f64..5.0) {
            let x: Vec<f64> = (0..n).map(|i| i as f64 * 0.1).collect();
            let y: Vec<f64> = x.iter().map(|x| 7.0 + rate * x).collect();
            check(&x, &y)?;
        }
    }
}
