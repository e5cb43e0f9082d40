//! The density with y, ln head at one use, in the place of ln head new: how dense y is, and the losses given y.
//!
//! What is known of ln head at another use says y + (difference in use) x losses, so that the losses given y have a precision
//! that is a sum of squares: nothing cancels, however far from the tests y lies. Without bounds the integral over the last
//! loss is a normal tail; with bounds it takes one panel. A loss before it takes panels of its own.

use super::density::{Density, Seen, cut_at_zero};
use super::head_test::UsePoint;
use super::quadrature::{Ask, Fitted, end, rule};
use crate::distributions::{normal_hazard, normal_log_sf};
use crate::no_estimate::{NoEstimate, finite};
use crate::waterproofness::Relation;

/// How far the first of two losses is followed, in ln below its peak, and how well it is resolved: an integral over all is
/// good to the square of that.
const DROP_FIRST: f64 = 22.0;
const RESOLVED_FIRST: f64 = 1e-5;
/// How far the last loss is followed where bounds bend its density.
const DROP_LAST: f64 = 18.0;
/// From here on down the upper tail is 1 to the last digit: a bound that is certain to hold says nothing.
const CERTAIN: f64 = -8.3;

pub(super) struct Along<'a> {
    density: &'a Density,
    /// Mean and standard deviation of y without bounds and cut.
    pub mean: f64,
    pub sd: f64,
    /// Of the losses given y: mean at the mean of y, change by y, and precision (first, both, second).
    losses_mean: [f64; 2],
    by_y: [f64; 2],
    precision: [f64; 3],
    bounds: Vec<Tail>,
}

/// A bound: the upper tail of `at_zero + by_y y + by_losses x losses`.
struct Tail {
    at_zero: f64,
    by_y: f64,
    by_losses: [f64; 2],
}

/// The last loss, given y and the loss before it: a normal density times tails of `at_zero + by_loss loss`.
struct Last<'a> {
    mean: f64,
    precision: f64,
    floor: f64,
    along: &'a Along<'a>,
    y: f64,
    first: f64,
}

impl<'a> Along<'a> {
    pub fn new(density: &'a Density, at: UsePoint) -> Result<Self, NoEstimate> {
        let used = density.used(at);
        let apart = |seen: &Seen| [used[0] - seen.used[0], used[1] - seen.used[1]];
        let (mut precision, mut with_y) = ([1.0, 0.0, 1.0], [0.0; 2]);
        for seen in &density.exact {
            let (d, weight) = (apart(seen), seen.sd.powi(-2));
            precision[0] += weight * d[0] * d[0];
            precision[1] += weight * d[0] * d[1];
            precision[2] += weight * d[1] * d[1];
            with_y[0] -= weight * d[0];
            with_y[1] -= weight * d[1];
        }
        let [a, b, c] = precision;
        let by_y = match density.losses() {
            1 => [with_y[0] / a, 0.0],
            _ => {
                let determinant = a * c - b * b;
                [(c * with_y[0] - b * with_y[1]) / determinant, (a * with_y[1] - b * with_y[0]) / determinant]
            }
        };
        let gaussian = &density.gaussian;
        let losses = density.losses();
        let x = |k: usize| if k == losses { 1.0 } else { -used[k] };
        let mean = (0..=losses).map(|k| x(k) * gaussian.mean[k]).sum();
        let variance: f64 = (0..=losses)
            .flat_map(|i| (0..=losses).map(move |j| (i, j)))
            .map(|(i, j)| x(i) * gaussian.covariance[(i, j)] * x(j))
            .sum();
        let bounds = density.bounds.iter().map(|seen| {
            let d = apart(seen);
            let sign = if seen.relation == Relation::Below { -1.0 } else { 1.0 };
            let scale = sign / seen.sd;
            Tail { at_zero: scale * seen.ln_head, by_y: -scale, by_losses: [-scale * d[0], -scale * d[1]] }
        });
        let along = Self {
            density,
            mean: finite("ln head", mean)?,
            sd: finite("its standard deviation", variance.max(0.0).sqrt())?,
            losses_mean: [gaussian.mean[0], if losses == 2 { gaussian.mean[1] } else { 0.0 }],
            by_y,
            precision,
            bounds: bounds.collect(),
        };
        for value in along.by_y.iter().chain(&along.precision) {
            finite("the update", *value)?;
        }
        Ok(along)
    }

    /// What to ask of a fit of the density of y, which has about this mean and standard deviation.
    pub fn ask(&self, mean: f64, sd: f64, drop: f64, panels: usize, tolerance: f64) -> Ask {
        Ask { start: mean, step: 2.5 * sd, floor: f64::NEG_INFINITY, drop, panels, tolerance }
    }

    fn floor(&self) -> f64 {
        if self.density.cut { 0.0 } else { f64::NEG_INFINITY }
    }

    /// Mean of the losses given y, without bounds and cut.
    fn middle(&self, y: f64) -> [f64; 2] {
        let off = y - self.mean;
        [self.losses_mean[0] + self.by_y[0] * off, self.losses_mean[1] + self.by_y[1] * off]
    }

    /// ln of the density of y, up to a constant.
    pub fn ln_density(&self, y: f64) -> f64 {
        let z = (y - self.mean) / self.sd;
        let given = match self.density.losses() {
            1 => self.last(y, None).ln_total(),
            _ => self.first(y).map_or(f64::NEG_INFINITY, |first| first.ln_total()),
        };
        -0.5 * z * z + given
    }

    /// Mean of the losses given y, and their covariance (first, both, second).
    pub fn losses_given(&self, y: f64) -> Result<([f64; 2], [f64; 3]), NoEstimate> {
        if self.density.losses() == 1 {
            let (mean, variance) = self.last(y, None).moments();
            return Ok(([mean, 0.0], [variance, 0.0, 0.0]));
        }
        let (mut mean, mut square) = ([0.0; 2], [0.0; 3]);
        let middle = self.middle(y);
        for (first, share) in self.first(y)?.shares() {
            let (last, variance) = self.last(y, Some(first)).moments();
            let (p, q) = (first - middle[0], last - middle[1]);
            mean[0] += share * p;
            mean[1] += share * q;
            square[0] += share * p * p;
            square[1] += share * p * q;
            square[2] += share * (q * q + variance);
        }
        let covariance =
            [square[0] - mean[0] * mean[0], square[1] - mean[0] * mean[1], square[2] - mean[1] * mean[1]];
        Ok(([middle[0] + mean[0], middle[1] + mean[1]], covariance))
    }

    /// The first of two losses given y.
    fn first(&self, y: f64) -> Result<Fitted, NoEstimate> {
        let [a, b, c] = self.precision;
        let precision = a - b * b / c;
        let middle = self.middle(y)[0];
        let ask = Ask {
            start: middle,
            step: 2.5 / precision.sqrt(),
            floor: self.floor(),
            drop: DROP_FIRST,
            panels: 2,
            tolerance: RESOLVED_FIRST,
        };
        Fitted::new(&ask, |first| {
            let off = first - middle;
            -0.5 * precision * off * off + self.last(y, Some(first)).ln_total()
        })
    }

    /// The last loss given y and, where there are two losses, the first.
    fn last(&self, y: f64, first: Option<f64>) -> Last<'_> {
        let (middle, [a, b, c]) = (self.middle(y), self.precision);
        let (mean, precision) = match first {
            None => (middle[0], a),
            Some(first) => (middle[1] - b / c * (first - middle[0]), c),
        };
        Last { mean, precision, floor: self.floor(), along: self, y, first: first.unwrap_or(0.0) }
    }
}

impl Last<'_> {
    /// ln of the share of the normal density that bounds and cut let through.
    fn ln_total(&self) -> f64 {
        if self.along.bounds.is_empty() {
            let cut = self.floor > f64::NEG_INFINITY;
            return if cut { normal_log_sf(-self.mean * self.precision.sqrt()) } else { 0.0 };
        }
        let panel = self.panel();
        let sum: f64 =
            rule().nodes.iter().map(|(t, w)| w * (self.ln_at(panel.at(*t)) - panel.ln_peak).exp()).sum();
        let normal = 0.5 * (self.precision / std::f64::consts::TAU).ln();
        (0.5 * (panel.high - panel.low) * sum).ln() + panel.ln_peak + normal
    }

    /// Mean and variance.
    fn moments(&self) -> (f64, f64) {
        if self.along.bounds.is_empty() {
            let sd = self.precision.sqrt().recip();
            let (mean, variance) = if self.floor > f64::NEG_INFINITY {
                cut_at_zero(self.mean / sd)
            } else {
                (self.mean / sd, 1.0)
            };
            return (sd * mean, sd * sd * variance);
        }
        let panel = self.panel();
        let (mut total, mut sum, mut square) = (0.0, 0.0, 0.0);
        for (t, w) in &rule().nodes {
            let weight = w * (self.ln_at(panel.at(*t)) - panel.ln_peak).exp();
            total += weight;
            sum += weight * t;
            square += weight * t * t;
        }
        let half = 0.5 * (panel.high - panel.low);
        let mean = sum / total;
        (panel.at(mean), half * half * (square / total - mean * mean).max(0.0))
    }

    /// Where the tails' arguments are for no loss, and their changes by the loss.
    fn tails(&self) -> impl Iterator<Item = (f64, f64)> {
        let two = self.along.density.losses() == 2;
        self.along.bounds.iter().map(move |tail| {
            let at_zero = tail.at_zero + tail.by_y * self.y;
            if two {
                (at_zero + tail.by_losses[0] * self.first, tail.by_losses[1])
            } else {
                (at_zero, tail.by_losses[0])
            }
        })
    }

    fn ln_at(&self, loss: f64) -> f64 {
        let off = loss - self.mean;
        let arguments = self.tails().map(|(at_zero, by_loss)| at_zero + by_loss * loss);
        let tails: f64 = arguments.filter(|v| *v > CERTAIN).map(normal_log_sf).sum();
        tails - 0.5 * self.precision * off * off
    }

    /// The peak by Newton's method, roughly, and the panel about it.
    fn panel(&self) -> Reach {
        let mut peak = self.mean.max(self.floor);
        let mut curvature = self.precision;
        for _ in 0..30 {
            let mut slope = -self.precision * (peak - self.mean);
            curvature = self.precision;
            for (at_zero, by_loss) in self.tails() {
                let v = at_zero + by_loss * peak;
                if v <= CERTAIN {
                    continue;
                }
                let hazard = normal_hazard(v);
                slope -= by_loss * hazard;
                curvature += by_loss * by_loss * (hazard * (hazard - v)).max(0.0);
            }
            let next = (peak + slope / curvature).max(self.floor);
            let step = (next - peak).abs();
            peak = next;
            if step * step * curvature < 0.01 {
                break;
            }
        }
        let mut ln_f = |loss: f64| self.ln_at(loss);
        let top = (peak, ln_f(peak));
        let step = (2.0 * DROP_LAST / curvature).sqrt() * 1.05;
        let right = (peak + step, ln_f(peak + step));
        let high = end(top, right, f64::INFINITY, DROP_LAST, &mut ln_f);
        let low = if peak <= self.floor {
            peak
        } else {
            let left = (peak - step).max(self.floor);
            let left = (left, ln_f(left));
            end(top, left, self.floor, DROP_LAST, &mut ln_f)
        };
        Reach { low, high, ln_peak: top.1 }
    }
}

/// Where the last loss is not negligible.
struct Reach {
    low: f64,
    high: f64,
    ln_peak: f64,
}

impl Reach {
    fn at(&self, t: f64) -> f64 {
        0.5 * (self.low + self.high) + 0.5 * (self.high - self.low) * t
    }
}
