//! ln head at one use as a table: every probability and quantile there comes from it.

use super::model::crossing;
use super::quadrature::{Fitted, NODES, integral_from, rule, value_at};
use crate::distributions::{normal_quantile, normal_sf};
use crate::no_estimate::{NoEstimate, finite};

/// Beyond so many standard deviations the scatter of a test is nothing.
const REACH: f64 = 7.0;
/// Widest piece over which the scatter's distribution function is integrated at once, in standard deviations.
const PIECE: f64 = 5.0;

/// The density of ln head at a use, by panels.
#[derive(Debug, Clone)]
pub(super) struct Marginal {
    fitted: Fitted,
    coefficients: Vec<[f64; NODES]>,
    /// Integral from the start of each panel on.
    above: Vec<f64>,
    sigma: f64,
}

impl Marginal {
    pub fn new(fitted: Fitted, sigma: f64) -> Self {
        let coefficients = fitted.panels.iter().map(|panel| panel.coefficients()).collect();
        let mut above = vec![0.0; fitted.panels.len()];
        let mut sum = 0.0;
        for (k, panel) in fitted.panels.iter().enumerate().rev() {
            sum += panel.total();
            above[k] = sum;
        }
        Self { fitted, coefficients, above, sigma }
    }

    fn total(&self) -> f64 {
        self.above[0]
    }

    fn ends(&self) -> (f64, f64) {
        let panels = &self.fitted.panels;
        (panels[0].low, panels[panels.len() - 1].high)
    }

    /// Integral of the unscaled density above `ln`.
    fn above(&self, ln: f64) -> f64 {
        let panels = &self.fitted.panels;
        let k = panels.partition_point(|panel| panel.high <= ln);
        let Some(panel) = panels.get(k) else { return 0.0 };
        if ln <= panel.low {
            return self.above[k];
        }
        let half = 0.5 * (panel.high - panel.low);
        let t = (ln - panel.low) / half - 1.0;
        half * integral_from(t, &self.coefficients[k]) + self.above.get(k + 1).copied().unwrap_or(0.0)
    }

    /// P(y >= ln).
    pub fn p_true(&self, ln: f64) -> f64 {
        (self.above(ln) / self.total()).clamp(0.0, 1.0)
    }

    /// P(y + e >= ln) with e the scatter of a test. A panel may be far wider than the scatter, or far narrower: pieces of
    /// panels near `ln` are integrated, what lies above counts in full.
    pub fn p_next(&self, ln: f64) -> f64 {
        let (low, high) = (ln - REACH * self.sigma, ln + REACH * self.sigma);
        let mut sum = self.above(high);
        for (panel, coefficients) in self.fitted.panels.iter().zip(&self.coefficients) {
            let (from, to) = (panel.low.max(low), panel.high.min(high));
            if from >= to {
                continue;
            }
            let half = 0.5 * (panel.high - panel.low);
            let exceeds = |y: f64| normal_sf((ln - y) / self.sigma);
            if from == panel.low && to == panel.high && to - from <= PIECE * self.sigma {
                let nodes = rule().nodes.iter().zip(&panel.values);
                sum += half * nodes.map(|((t, w), value)| w * value * exceeds(panel.at(*t))).sum::<f64>();
                continue;
            }
            let pieces = ((to - from) / (PIECE * self.sigma)).ceil().max(1.0);
            let width = (to - from) / pieces;
            for piece in 0..pieces as usize {
                let middle = from + width * (piece as f64 + 0.5);
                for (t, w) in &rule().nodes {
                    let y = middle + 0.5 * width * t;
                    let value = value_at((y - panel.low) / half - 1.0, coefficients);
                    sum += 0.5 * width * w * value * exceeds(y);
                }
            }
        }
        (sum / self.total()).clamp(0.0, 1.0)
    }

    /// The ln head with P(y >= ln) = `p`.
    pub fn true_exceeds(&self, p: f64) -> Result<f64, NoEstimate> {
        let (low, high) = self.ends();
        self.solve(low, high, p, |ln| self.p_true(ln))
    }

    /// The ln head with P(y + e >= ln) = `p`; `mean` and `sd` are those of y + e.
    pub fn next_exceeds(&self, p: f64, mean: f64, sd: f64) -> Result<f64, NoEstimate> {
        let (least, most) = self.ends();
        let beyond = REACH * self.sigma;
        // As if it were normal, and somewhat to either side; else all there is.
        let guess = mean - normal_quantile(p) * sd;
        let (low, high) = (guess - 0.2 * sd, guess + 0.2 * sd);
        if guess.is_finite() && self.p_next(low) > p && self.p_next(high) < p {
            return self.solve(low, high, p, |ln| self.p_next(ln));
        }
        self.solve(least - beyond, most + beyond, p, |ln| self.p_next(ln))
    }

    fn solve(&self, low: f64, high: f64, p: f64, exceeds: impl Fn(f64) -> f64) -> Result<f64, NoEstimate> {
        let (at_low, at_high) = (exceeds(low) - p, exceeds(high) - p);
        if !(at_low > 0.0 && at_high < 0.0) {
            return Err(NoEstimate::Because("the level is too close to 0 or 1"));
        }
        finite("ln head", crossing(low, at_low, high, at_high, |ln| Ok(exceeds(ln) - p))?)
    }
}
