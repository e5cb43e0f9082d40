//! The Weibull distribution fitted to lives, and what it says of a pool.

use nalgebra::Matrix2;
use serde::Serialize;

use super::life::{FEW_EVENTS, ItemLife, enough_events};
use crate::distributions::gamma;
use crate::metrology::resolution::{positive, positive_or_zero};
use crate::no_estimate::{NoEstimate, finite};

/// S(t) = exp(-(t / lambda)^rho).
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct WeibullCurve {
    /// Scale lambda, the age by which 63.2 % have failed.
    pub scale: f64,
    /// Shape rho; above 1 items wear out, below 1 they fail early.
    pub shape: f64,
}

/// A fitted Weibull distribution.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Weibull {
    /// The curve.
    pub curve: WeibullCurve,
    /// Standard error of the scale, from the observed information.
    pub se_scale: f64,
    /// Standard error of the shape.
    pub se_shape: f64,
    /// Correlation of the two estimates.
    pub correlation: f64,
    /// Greatest log-likelihood.
    pub log_likelihood: f64,
    /// Items.
    pub n: usize,
    /// Retirements for cause.
    pub events: usize,
    /// Fewer than ten events.
    pub few_events: bool,
}

impl WeibullCurve {
    /// A curve with given parameters.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange` for parameters that are not above 0.
    pub fn new(scale: f64, shape: f64) -> Result<Self, NoEstimate> {
        Ok(Self { scale: positive("the scale", scale)?, shape: positive("the shape", shape)? })
    }

    /// Share that survives an age.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange`.
    pub fn survival(&self, age: f64) -> Result<f64, NoEstimate> {
        Ok((-self.hazard_to(age)?).exp())
    }

    /// Probability of surviving to `age` for an item that has survived `reached`: exp((s/lambda)^rho - (t/lambda)^rho).
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange`; `Unordered` for an age before the one reached.
    pub fn survival_given(&self, age: f64, reached: f64) -> Result<f64, NoEstimate> {
        let (to, from) = (self.hazard_to(age)?, self.hazard_to(reached)?);
        if age < reached {
            return Err(NoEstimate::Unordered { what: "the age reached and the age asked" });
        }
        Ok((from - to).min(0.0).exp())
    }

    /// Mean life, lambda Gamma(1 + 1/rho).
    ///
    /// # Errors
    /// `NotFinite` for a shape so small that the mean overflows.
    pub fn mean(&self) -> Result<f64, NoEstimate> {
        finite("the mean life", self.scale * gamma(1.0 + 1.0 / self.shape))
    }

    /// Age by which a share has failed, lambda (-ln(1 - share))^(1/rho): B10 for 0.1, the median for 0.5.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange` for a share outside 0 to 1.
    pub fn age_at_failed(&self, share: f64) -> Result<f64, NoEstimate> {
        let share = crate::metrology::resolution::confidence(share)?;
        finite("the age", self.scale * (-(-share).ln_1p()).powf(1.0 / self.shape))
    }

    fn hazard_to(&self, age: f64) -> Result<f64, NoEstimate> {
        finite("the hazard", (positive_or_zero("the age", age)? / self.scale).powf(self.shape))
    }
}

/// Sums over the lives for one shape, ages in units of the greatest.
struct Sums {
    /// sum (t^rho - s^rho), and its first and second derivative by rho.
    total: f64,
    first: f64,
    second: f64,
}

fn sums(lives: &[ItemLife], unit: f64, shape: f64) -> Sums {
    let mut sums = Sums { total: 0.0, first: 0.0, second: 0.0 };
    let mut add = |age: f64, sign: f64| {
        if age > 0.0 {
            let log = (age / unit).ln();
            let power = sign * (shape * log).exp();
            sums.total += power;
            sums.first += power * log;
            sums.second += power * log * log;
        }
    };
    for life in lives {
        add(life.exit, 1.0);
        add(life.entry, -1.0);
    }
    sums
}

/// Maximum likelihood of the Weibull distribution with right-censored and left-truncated lives.
///
/// ln L = sum over events [ln rho - rho ln lambda + (rho - 1) ln t] - sum over all [(t/lambda)^rho - (s/lambda)^rho], s the age
/// at entry. For a shape, lambda^rho = sum (t^rho - s^rho) / d; the shape is the root of the profile's derivative.
///
/// # Errors
/// `TooFew` items or fewer than five events; `AllCensored`; `NotFinite`, `OutOfRange`, `Unordered`; `NoSpread` when all lives
/// end in failure at one age; `Because` when the likelihood has no maximum.
pub fn fit_weibull(lives: &[ItemLife]) -> Result<Weibull, NoEstimate> {
    let events = enough_events(lives)?;
    let unit = lives.iter().fold(0.0f64, |most, life| most.max(life.exit));
    let failed: Vec<f64> =
        lives.iter().filter(|life| life.failed).map(|life| (life.exit / unit).ln()).collect();
    // With every failure at the greatest age seen, the likelihood grows with the shape without end.
    if failed.iter().all(|log| *log == 0.0) {
        return Err(NoEstimate::NoSpread { what: "ages at failure" });
    }
    let d = events as f64;
    let mean_log = failed.iter().sum::<f64>() / d;
    // The derivative of the profile by rho, over d; falls from plus infinity.
    let slope = |shape: f64| {
        let s = sums(lives, unit, shape);
        1.0 / shape + mean_log - s.first / s.total
    };
    const NONE: NoEstimate = NoEstimate::Because("the likelihood of these lives has no maximum");
    let (mut low, mut high) = (1e-3, 1.0);
    while slope(high) > 0.0 {
        low = high;
        high *= 2.0;
        if high > 1e4 {
            return Err(NONE);
        }
    }
    if slope(low).partial_cmp(&0.0) != Some(std::cmp::Ordering::Greater) {
        return Err(NONE);
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if middle <= low || middle >= high {
            break;
        }
        if slope(middle) > 0.0 { low = middle } else { high = middle }
    }
    let shape = 0.5 * (low + high);
    let s = sums(lives, unit, shape);
    let relative = (s.total / d).powf(1.0 / shape);
    let scale = finite("the scale", relative * unit)?;
    // Observed information in (ln lambda, rho), lambda in units of the greatest age.
    let log = relative.ln();
    let power = relative.powf(-shape);
    let (h0, h1, h2) = (
        power * s.total,
        power * (s.first - log * s.total),
        power * (s.second - 2.0 * log * s.first + log * log * s.total),
    );
    let information =
        Matrix2::new(shape * shape * h0, d - h0 - shape * h1, d - h0 - shape * h1, d / (shape * shape) + h2);
    let covariance = information.try_inverse().ok_or(NONE)?;
    if !(covariance[(0, 0)] > 0.0 && covariance[(1, 1)] > 0.0) {
        return Err(NONE);
    }
    let (se_log, se_shape) = (covariance[(0, 0)].sqrt(), covariance[(1, 1)].sqrt());
    let log_likelihood =
        d * (shape.ln() - shape * log) + (shape - 1.0) * mean_log * d - power * s.total - d * unit.ln();
    Ok(Weibull {
        curve: WeibullCurve::new(scale, shape)?,
        se_scale: finite("the scale's error", se_log * scale)?,
        se_shape,
        correlation: covariance[(0, 1)] / (se_log * se_shape),
        log_likelihood: finite("the log-likelihood", log_likelihood)?,
        n: lives.len(),
        events,
        few_events: events < FEW_EVENTS,
    })
}
