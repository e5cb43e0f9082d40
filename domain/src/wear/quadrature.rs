//! Gauss-Legendre nodes on panels, for smooth functions whose logarithm is concave.
//!
//! A density of the wear model, each of its marginals, and each of its sections is log-concave: a normal density, times normal
//! tails, cut off along planes (Prékopa 1973). So a function here rises to one peak and falls from it ever faster, which is
//! why its support can be found by walking and none of its weight can hide elsewhere.

use std::sync::OnceLock;

use crate::no_estimate::NoEstimate;

/// Nodes of a panel.
pub(super) const NODES: usize = 20;

/// A panel is halved no more often than this.
const MOST_HALVINGS: i32 = 10;

const LOST: NoEstimate = NoEstimate::Because("the tests contradict the prior");

/// Nodes and weights on -1 to 1, and the rows that turn values at the nodes into Legendre coefficients.
pub(super) struct Rule {
    pub nodes: [(f64, f64); NODES],
    coefficients: [[f64; NODES]; NODES],
}

/// Nodes and weights on -1 to 1, by Newton's method on the Legendre polynomial (Abramowitz and Stegun 25.4.29).
fn legendre(n: usize) -> Vec<(f64, f64)> {
    (0..n)
        .map(|i| {
            let mut x = (std::f64::consts::PI * (i as f64 + 0.75) / (n as f64 + 0.5)).cos();
            let mut slope = 1.0;
            for _ in 0..20 {
                let (mut last, mut value) = (1.0, x);
                for k in 2..=n {
                    let k = k as f64;
                    (last, value) = (value, ((2.0 * k - 1.0) * x * value - (k - 1.0) * last) / k);
                }
                slope = n as f64 * (x * value - last) / (x * x - 1.0);
                let step = value / slope;
                x -= step;
                if step.abs() < 1e-16 {
                    break;
                }
            }
            (x, 2.0 / ((1.0 - x * x) * slope * slope))
        })
        .collect()
}

/// Legendre polynomials of degree 0 to `NODES` at `t`.
fn polynomials(t: f64) -> [f64; NODES + 1] {
    let mut p = [1.0; NODES + 1];
    p[1] = t;
    for k in 2..=NODES {
        let n = k as f64;
        p[k] = ((2.0 * n - 1.0) * t * p[k - 1] - (n - 1.0) * p[k - 2]) / n;
    }
    p
}

/// The rule of `NODES` nodes.
pub(super) fn rule() -> &'static Rule {
    static RULE: OnceLock<Rule> = OnceLock::new();
    RULE.get_or_init(|| {
        let mut rule = Rule { nodes: [(0.0, 0.0); NODES], coefficients: [[0.0; NODES]; NODES] };
        for (i, (x, w)) in legendre(NODES).into_iter().enumerate() {
            rule.nodes[i] = (x, w);
            for (k, (row, p)) in rule.coefficients.iter_mut().zip(polynomials(x)).enumerate() {
                row[i] = (k as f64 + 0.5) * w * p;
            }
        }
        rule
    })
}

/// What is asked of a fit.
#[derive(Debug, Clone, Copy)]
pub(super) struct Ask {
    /// Where the walk starts, not far from the peak.
    pub start: f64,
    /// Its first step: two or three standard deviations.
    pub step: f64,
    /// Where the function is cut off; minus infinity for nowhere.
    pub floor: f64,
    /// How far below the peak, in ln, the function is left out.
    pub drop: f64,
    /// Panels to begin with.
    pub panels: usize,
    /// What the last Legendre coefficients of a panel may be, the peak being about 1. An integral over all is good to the
    /// square of this, one over a part of a panel to this.
    pub tolerance: f64,
}

/// One panel with the function's values at its nodes.
#[derive(Debug, Clone)]
pub(super) struct Panel {
    pub low: f64,
    pub high: f64,
    pub values: [f64; NODES],
}

/// exp(ln f - `ln_scale`) on panels over its support.
#[derive(Debug, Clone)]
pub(super) struct Fitted {
    pub panels: Vec<Panel>,
    pub ln_scale: f64,
}

impl Panel {
    fn new(low: f64, high: f64, ln_scale: f64, ln_f: &mut impl FnMut(f64) -> f64) -> Self {
        let mut panel = Self { low, high, values: [0.0; NODES] };
        for (i, (x, _)) in rule().nodes.iter().enumerate() {
            panel.values[i] = (ln_f(panel.at(*x)) - ln_scale).exp();
        }
        panel
    }

    /// The place of `t` on -1 to 1.
    pub fn at(&self, t: f64) -> f64 {
        0.5 * (self.low + self.high) + 0.5 * (self.high - self.low) * t
    }

    fn coefficient(&self, k: usize) -> f64 {
        rule().coefficients[k].iter().zip(&self.values).map(|(row, value)| row * value).sum()
    }

    /// Legendre coefficients of the polynomial through the values.
    pub fn coefficients(&self) -> [f64; NODES] {
        std::array::from_fn(|k| self.coefficient(k))
    }

    fn is_resolved(&self, tolerance: f64) -> bool {
        self.coefficient(NODES - 1).abs().max(self.coefficient(NODES - 2).abs()) <= tolerance
    }

    pub fn total(&self) -> f64 {
        let sum: f64 = rule().nodes.iter().zip(&self.values).map(|((_, w), value)| w * value).sum();
        0.5 * (self.high - self.low) * sum
    }
}

impl Fitted {
    /// Finds the support and resolves the function on it.
    ///
    /// # Errors
    /// `Because` when there is nothing to be found in numbers.
    pub fn new(ask: &Ask, mut ln_f: impl FnMut(f64) -> f64) -> Result<Self, NoEstimate> {
        let Support { low, high, ln_peak } = Support::find(ask, &mut ln_f)?;
        let width = (high - low) / ask.panels as f64;
        let least = (high - low) * 0.5f64.powi(MOST_HALVINGS);
        let edge = |k: usize| if k == ask.panels { high } else { low + width * k as f64 };
        let mut waiting: Vec<(f64, f64)> = (0..ask.panels).rev().map(|k| (edge(k), edge(k + 1))).collect();
        let mut panels = Vec::with_capacity(2 * ask.panels);
        while let Some((from, to)) = waiting.pop() {
            let panel = Panel::new(from, to, ln_peak, &mut ln_f);
            if to - from <= least || panel.is_resolved(ask.tolerance) {
                panels.push(panel);
            } else {
                let middle = 0.5 * (from + to);
                waiting.push((middle, to));
                waiting.push((from, middle));
            }
        }
        let fitted = Self { panels, ln_scale: ln_peak };
        let total = fitted.total();
        if total.is_finite() && total > 0.0 { Ok(fitted) } else { Err(LOST) }
    }

    pub fn total(&self) -> f64 {
        self.panels.iter().map(Panel::total).sum()
    }

    /// ln of the integral of f.
    pub fn ln_total(&self) -> f64 {
        self.total().ln() + self.ln_scale
    }

    /// Places and their shares of the whole.
    pub fn shares(&self) -> impl Iterator<Item = (f64, f64)> {
        let scale = 0.5 / self.total();
        self.panels.iter().flat_map(move |panel| {
            let half = scale * (panel.high - panel.low);
            let nodes = rule().nodes.iter().zip(&panel.values);
            nodes.map(move |((t, w), value)| (panel.at(*t), half * w * value))
        })
    }
}

/// Integral of P_k from `t` to 1, summed with the coefficients.
pub(super) fn integral_from(t: f64, coefficients: &[f64; NODES]) -> f64 {
    let p = polynomials(t);
    let first = coefficients[0] * (1.0 - t);
    let rest = (1..NODES).map(|k| coefficients[k] * (p[k - 1] - p[k + 1]) / (2 * k + 1) as f64);
    first + rest.sum::<f64>()
}

/// The polynomial of these coefficients at `t`.
pub(super) fn value_at(t: f64, coefficients: &[f64; NODES]) -> f64 {
    polynomials(t).iter().zip(coefficients).map(|(p, c)| p * c).sum()
}

/// Where a log-concave function is not negligible.
struct Support {
    low: f64,
    high: f64,
    ln_peak: f64,
}

/// A place and the ln of the function there.
type Seen = (f64, f64);

/// The peak is known closely enough when it falls by less than this, in ln, to either side.
const CLOSE: f64 = 5.0;

impl Support {
    fn find(ask: &Ask, ln_f: &mut impl FnMut(f64) -> f64) -> Result<Self, NoEstimate> {
        let [left, peak, right] = narrowed(climb(ask, ln_f)?, ln_f);
        if !peak.1.is_finite() {
            return Err(LOST);
        }
        let high = end(peak, right, f64::INFINITY, ask.drop, ln_f);
        let low = if peak.0 <= ask.floor { ask.floor } else { end(peak, left, ask.floor, ask.drop, ln_f) };
        if low.is_finite() && high.is_finite() && low < high {
            Ok(Self { low, high, ln_peak: peak.1 })
        } else {
            Err(LOST)
        }
    }
}

/// Walks up until there is a place no lower than its neighbours; the left one may be the place itself, at the floor.
fn climb(ask: &Ask, ln_f: &mut impl FnMut(f64) -> f64) -> Result<[Seen; 3], NoEstimate> {
    let mut see = |x: f64| (x, ln_f(x));
    let mut step = ask.step;
    let mut here = see(ask.start.max(ask.floor));
    let mut right = see(here.0 + step);
    if right.1 > here.1 {
        for _ in 0..80 {
            step *= 2.0;
            let left = here;
            (here, right) = (right, see(right.0 + step));
            if right.1 <= here.1 {
                return Ok([left, here, right]);
            }
        }
        return Err(LOST);
    }
    for _ in 0..80 {
        if here.0 <= ask.floor {
            return Ok([here, here, right]);
        }
        let left = see((here.0 - step).max(ask.floor));
        if left.1 <= here.1 {
            return Ok([left, here, right]);
        }
        (here, right) = (left, here);
        step *= 2.0;
    }
    Err(LOST)
}

/// Halves the wider side until the function falls but little to either: the bracket shrinks by a quarter with each place,
/// however far from the peak it was found.
fn narrowed([mut left, mut here, mut right]: [Seen; 3], ln_f: &mut impl FnMut(f64) -> f64) -> [Seen; 3] {
    for _ in 0..200 {
        if here.1 - right.1 <= CLOSE && here.1 - left.1 <= CLOSE {
            break;
        }
        let is_right = right.0 - here.0 >= here.0 - left.0;
        let middle = 0.5 * (here.0 + if is_right { right.0 } else { left.0 });
        let middle = (middle, ln_f(middle));
        match (is_right, middle.1 > here.1) {
            (true, true) => (left, here) = (here, middle),
            (true, false) => right = middle,
            (false, true) => (right, here) = (here, middle),
            (false, false) => left = middle,
        }
    }
    [left, here, right]
}

/// The place on one side where the function has fallen by `drop` or somewhat more. A fall that is quadratic in the distance
/// is found at once, a linear one in a few steps; where it steepens so much that such steps overshoot, halves are taken.
pub(super) fn end(peak: Seen, side: Seen, limit: f64, drop: f64, ln_f: &mut impl FnMut(f64) -> f64) -> f64 {
    let (mut at, mut fallen) = (side.0, peak.1 - side.1);
    // It lies between a place where the function has fallen too little and one where it has fallen too far.
    let (mut near, mut far) = (peak.0, None);
    for _ in 0..200 {
        if (fallen >= drop || at == limit) && fallen <= 1.4 * drop {
            break;
        }
        if fallen > drop {
            far = Some(at)
        } else {
            near = at
        }
        let factor = (1.15 * drop / fallen.max(1e-12)).sqrt().clamp(0.1, 4.0);
        let next = peak.0 + (at - peak.0) * factor;
        at = match far {
            Some(far) if (next - near) * (next - far) >= 0.0 => 0.5 * (near + far),
            _ => next,
        };
        if limit.is_finite() && at < limit {
            at = limit;
        }
        fallen = peak.1 - ln_f(at);
    }
    at
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::distributions::normal_sf;

    #[test]
    fn legendre_even_powers_integrated_exactly() {
        for n in [2, 7, 20, 48] {
            let nodes = legendre(n);
            for power in [0, 2, 2 * n as i32 - 2] {
                let sum: f64 = nodes.iter().map(|(x, w)| w * x.powi(power)).sum();
                assert!((sum - 2.0 / f64::from(power + 1)).abs() < 1e-13, "{n} nodes, power {power}: {sum}");
            }
        }
    }

    fn ask(start: f64, step: f64, floor: f64) -> Ask {
        Ask { start, step, floor, drop: 32.0, panels: 4, tolerance: 3e-8 }
    }

    #[test]
    fn fitted_fall_that_steepens_is_followed_to_its_end() {
        // Flat, then a wall: the integral of exp(-x^n) over all is 2 gamma(1 + 1/n), near 2 for a great n.
        for (n, expected) in [(12, 2.0 * 0.958_285_7), (40, 2.0 * 0.986_174_0)] {
            let fitted = Fitted::new(&ask(0.1, 0.3, f64::NEG_INFINITY), |x: f64| -x.powi(n)).unwrap();
            let found = fitted.ln_total().exp();
            assert!((found - expected).abs() < 1e-6, "{n}: {found} {expected}");
            let (first, last) = (&fitted.panels[0], &fitted.panels[fitted.panels.len() - 1]);
            assert!(first.low < -1.05 && last.high > 1.05 && last.high < 1.5, "{} {}", first.low, last.high);
        }
    }

    #[test]
    fn fitted_normal_density_found_from_afar_and_whole() {
        // Started far away, with a step far too long and far too short, and cut off in the middle and in the tail.
        for (start, step) in [(3.0, 0.02), (-200.0, 1.0), (500.0, 1e-3), (3.1, 1e4)] {
            let ln_f = |x: f64| -0.5 * ((x - 3.0) / 0.01).powi(2) - 7_000.0;
            let fitted = Fitted::new(&ask(start, step, f64::NEG_INFINITY), ln_f).unwrap();
            let expected = (0.01 * std::f64::consts::TAU.sqrt()).ln() - 7_000.0;
            assert!((fitted.ln_total() - expected).abs() < 1e-9, "{start} {step}");
        }
        for cut in [-3.0, 0.0, 3.0, 12.0, 30.0] {
            let fitted = Fitted::new(&ask(0.0, 2.0, cut), |x| -0.5 * x * x).unwrap();
            let expected = (normal_sf(cut) * std::f64::consts::TAU.sqrt()).ln();
            assert!((fitted.ln_total() - expected).abs() < 1e-9, "{cut}: {} {expected}", fitted.ln_total());
        }
    }

    #[test]
    fn coefficients_give_the_values_and_the_integral_of_a_part() {
        let panel = Panel::new(-1.0, 1.0, 0.0, &mut |x| x);
        let coefficients = panel.coefficients();
        for t in [-1.0, -0.3, 0.0, 0.77] {
            assert!((value_at(t, &coefficients) - f64::exp(t)).abs() < 1e-13);
            assert!((integral_from(t, &coefficients) - (1f64.exp() - t.exp())).abs() < 1e-13);
        }
    }
}
