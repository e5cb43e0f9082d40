//! Several changes of level: the segmentation that minimises squared residuals plus a penalty for each change.

use super::change::{MIN_SIDE, long_enough};
use super::series::{Series, mean, squares_about_mean};
use crate::no_estimate::{NoEstimate, within};

/// A stretch of one level.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Segment {
    /// Index of its first point.
    pub from: usize,
    /// Index after its last point.
    pub to: usize,
    /// Mean of the values.
    pub mean: f64,
    /// Standard error of the mean; none for a single point.
    pub mean_se: Option<f64>,
    /// Sum of squared deviations from the mean.
    pub sse: f64,
}

/// A segmentation.
#[derive(Debug, Clone, PartialEq)]
pub struct Segmentation {
    /// The segments in order; one means that nothing changed.
    pub segments: Vec<Segment>,
    /// Sum of squares left.
    pub sse: f64,
    /// `sse + penalty * changes`, which is the least there is.
    pub cost: f64,
    /// The penalty of one change.
    pub penalty: f64,
    /// Number of points.
    pub n: usize,
}

impl Segmentation {
    /// Index after the last point of each segment; the last is n.
    #[must_use]
    pub fn ends(&self) -> Vec<usize> {
        self.segments.iter().map(|s| s.to).collect()
    }
}

/// The usual penalty `beta s^2 ln n`, s the sample standard deviation; beta from 1 to 3.
///
/// # Errors
/// [`NoEstimate::OutOfRange`] unless beta is within 0.1 to 100.
pub fn penalty(series: &Series<'_>, beta: f64) -> Result<f64, NoEstimate> {
    let beta = within("penalty factor", beta, 0.1, 100.0)?;
    let n = series.values().len() as f64;
    Ok(beta * squares_about_mean(series.values()) / (n - 1.0) * n.ln())
}

/// Changes of level with at least four points a side, in a series of at least ten points.
///
/// # Errors
/// [`NoEstimate`] below ten points or for a penalty factor outside 0.1 to 100.
pub fn change_points(series: &Series<'_>, beta: f64) -> Result<Segmentation, NoEstimate> {
    long_enough(series)?;
    pelt(series, penalty(series, beta)?, MIN_SIDE)
}

/// Sums that give the squared deviations of any stretch in one step, about the overall mean to keep digits.
struct Sums {
    values: Vec<f64>,
    squares: Vec<f64>,
}

impl Sums {
    fn new(values: &[f64]) -> Self {
        let centre = mean(values);
        let (mut sums, mut squares) = (vec![0.0], vec![0.0]);
        let (mut sum, mut square) = (0.0, 0.0);
        for value in values {
            sum += value - centre;
            square += (value - centre).powi(2);
            sums.push(sum);
            squares.push(square);
        }
        Self { values: sums, squares }
    }

    fn cost(&self, from: usize, to: usize) -> f64 {
        let sum = self.values[to] - self.values[from];
        (self.squares[to] - self.squares[from] - sum * sum / (to - from) as f64).max(0.0)
    }
}

/// The segmentation with the least sum of squares plus `penalty` a change, no segment shorter than `min_size`.
///
/// Killick, Fearnhead and Eckley 2012 (J Am Stat Assoc 107:1590), exact. A start that is beaten at t is given up only for
/// ends from `t + min_size` on: nearer ends could not start a segment at t instead.
///
/// # Errors
/// [`NoEstimate`] for a penalty that is not positive, a `min_size` of 0, or fewer than `2 min_size` points.
pub fn pelt(series: &Series<'_>, penalty: f64, min_size: usize) -> Result<Segmentation, NoEstimate> {
    let penalty = within("penalty", penalty, f64::MIN_POSITIVE, f64::MAX)?;
    let values = series.values();
    let n = values.len();
    if min_size == 0 {
        return Err(NoEstimate::OutOfRange { what: "segment length", value: 0.0, low: 1.0, high: n as f64 });
    }
    if n < 2 * min_size {
        return Err(NoEstimate::TooFew { what: "points", needed: 2 * min_size, got: n });
    }
    let sums = Sums::new(values);
    let mut best = vec![f64::INFINITY; n + 1];
    let mut start = vec![0; n + 1];
    best[0] = -penalty;
    // Possible starts, each with the first end for which it is no longer needed.
    let mut starts: Vec<(usize, usize)> = vec![(0, usize::MAX)];
    for end in min_size..=n {
        if end >= 2 * min_size {
            starts.push((end - min_size, usize::MAX));
        }
        starts.retain(|&(_, until)| end < until);
        for &(from, _) in &starts {
            let cost = best[from] + sums.cost(from, end) + penalty;
            if cost < best[end] {
                (best[end], start[end]) = (cost, from);
            }
        }
        for (from, until) in &mut starts {
            if *until == usize::MAX && best[*from] + sums.cost(*from, end) > best[end] {
                *until = end + min_size;
            }
        }
    }
    let mut ends = vec![n];
    while let Some(&end) = ends.last() {
        if start[end] == 0 {
            break;
        }
        ends.push(start[end]);
    }
    ends.reverse();
    let mut from = 0;
    let segments: Vec<Segment> = ends
        .into_iter()
        .map(|to| {
            let part = &values[from..to];
            let sse = squares_about_mean(part);
            let m = part.len() as f64;
            let mean_se = (part.len() > 1).then(|| (sse / (m - 1.0) / m).sqrt());
            let segment = Segment { from, to, mean: mean(part), mean_se, sse };
            from = to;
            segment
        })
        .collect();
    let sse: f64 = segments.iter().map(|s| s.sse).sum();
    let cost = sse + penalty * (segments.len() - 1) as f64;
    Ok(Segmentation { segments, sse, cost, penalty, n })
}
