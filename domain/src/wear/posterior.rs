//! A prior updated by tests: in closed form where everything is normal, else by integration over the two or three parameters.

use serde::Serialize;

use super::density::{Density, Moments};
use super::head_test::{HeadTest, UsePath, UsePoint, check_tests, greatest_hours};
use super::ln_head::LnHead;
use super::model::{WearMethod, WearModel};
use super::prior::{Gaussian, Prior};
use crate::no_estimate::{NoEstimate, finite};

/// Above this share of the prior's own standard deviation, the answer is mostly the prior.
const MOSTLY: f64 = 0.7;

/// A prior updated by tests.
#[derive(Debug, Clone, Serialize)]
pub struct Posterior {
    /// The prior, for showing beside the answer.
    pub prior: Prior,
    /// ln of the head in mm when new.
    pub ln_head_new: Gaussian,
    /// Loss of ln head by hour worn: mean and standard deviation.
    pub loss_per_hour: Gaussian,
    /// Loss of ln head by wash, where the prior has one.
    pub loss_per_wash: Option<Gaussian>,
    /// Number of tests.
    pub n: usize,
    /// Of those, bounds.
    pub censored: usize,
    /// Greatest hours worn among the tests.
    pub tested_h: f64,
    #[serde(skip)]
    density: Density,
    #[serde(skip)]
    moments: Moments,
    #[serde(skip)]
    before: Moments,
}

/// Updates a prior by tests, exact and censored.
///
/// Exact tests: conjugate normal regression with known sigma, P = P0 + sum z z'/sigma^2. A ">=" or "<" multiplies by a
/// normal tail; losses that cannot be negative cut the normal off. Both are integrated by Gauss-Legendre
/// quadrature.
///
/// # Errors
/// `NotFinite`, `OutOfRange`; `Because` for washed garments with a prior that leaves washes out, or when the tests
/// contradict the prior beyond what numbers can hold.
pub fn update(prior: &Prior, tests: &[HeadTest]) -> Result<Posterior, NoEstimate> {
    prior.checked()?;
    check_tests(tests)?;
    if prior.loss_per_wash.is_none() && tests.iter().any(|test| test.at.washes > 0.0) {
        return Err(NoEstimate::Because("the prior leaves washes out and a test was made after washing"));
    }
    let density = Density::new(prior, tests)?;
    let moments = density.moments()?;
    let part = |k: usize| Gaussian { mean: moments.mean[k], sd: moments.covariance[(k, k)].max(0.0).sqrt() };
    let last = moments.mean.len() - 1;
    Ok(Posterior {
        prior: prior.clone(),
        ln_head_new: part(last),
        loss_per_hour: part(0),
        loss_per_wash: (last == 2).then(|| part(1)),
        n: tests.len(),
        censored: tests.iter().filter(|test| !test.is_exact()).count(),
        tested_h: greatest_hours(tests),
        before: density.prior_moments(),
        density,
        moments,
    })
}

impl WearModel for Posterior {
    fn method(&self) -> WearMethod {
        if !self.density.is_closed() { WearMethod::IntegratedPrior } else { WearMethod::ConjugatePrior }
    }

    fn tests(&self) -> (usize, usize) {
        (self.n, self.censored)
    }

    fn tested_h(&self) -> f64 {
        self.tested_h
    }

    /// At least five times the prior's half-life, so that a prior alone can be asked.
    fn horizon_h(&self) -> f64 {
        let rate = self.prior.loss_per_hour.mean;
        let prior = if rate > 0.0 { std::f64::consts::LN_2 / rate } else { 0.0 };
        5.0 * self.tested_h.max(prior)
    }

    fn trend(&self, path: &UsePath) -> f64 {
        -self.loss_per_hour.mean - path.washes_per_h * self.loss_per_wash.map_or(0.0, |loss| loss.mean)
    }

    fn ln_head(&self, at: UsePoint) -> Result<(f64, f64, f64), NoEstimate> {
        let (mean, sd) = self.moments.at(at);
        Ok((finite("ln head", mean)?, finite("its standard deviation", sd)?, sd.hypot(self.density.sigma)))
    }

    fn distribution(&self, at: UsePoint) -> Result<LnHead, NoEstimate> {
        let (mean, sd, sd_next) = self.ln_head(at)?;
        if self.density.is_closed() {
            return Ok(LnHead::normal(mean, sd, sd_next));
        }
        Ok(LnHead::table(mean, sd, sd_next, self.density.marginal(at, mean, sd)?))
    }

    fn p_life(&self, at: UsePoint, ln_limit: f64) -> Result<f64, NoEstimate> {
        self.p_true(at, ln_limit)
    }

    fn mostly_assumption(&self, at: UsePoint) -> Result<bool, NoEstimate> {
        let (_, sd, _) = self.ln_head(at)?;
        Ok(sd > MOSTLY * self.before.at(at).1)
    }
}
