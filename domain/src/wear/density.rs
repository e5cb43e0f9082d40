//! The density of the wear model's two or three parameters: a normal density (prior and exact tests), times normal tails
//! (bounds), cut off where losses would be negative.
//!
//! It is asked about ln head at one use at a time, y = ln head new - hours x loss by hour - washes x loss by wash. So y takes
//! the place of ln head new among the variables, see [`super::along`]. Losses are counted in standard deviations of their
//! prior throughout, which keeps the numbers of one size.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::along::Along;
use super::head_test::{HeadTest, UsePoint};
use super::marginal::Marginal;
use super::prior::{Gaussian, Prior};
use super::quadrature::{Ask, Fitted};
use crate::distributions::normal_hazard;
use crate::no_estimate::{NoEstimate, finite};
use crate::waterproofness::Relation;

/// How far the density of y is followed, in ln below its peak: eight standard deviations of a normal one.
const DROP: f64 = 32.0;

const OVERFLOW: NoEstimate = NoEstimate::NotFinite { what: "the update" };

/// Mean and covariance of the losses and ln head new, in this order.
#[derive(Debug, Clone)]
pub(super) struct Moments {
    pub mean: DVector<f64>,
    pub covariance: DMatrix<f64>,
}

impl Moments {
    /// Mean and standard deviation of ln head at a use.
    pub fn at(&self, at: UsePoint) -> (f64, f64) {
        let x = point([at.worn_h, at.washes], self.mean.len());
        (x.dot(&self.mean), (x.transpose() * &self.covariance * &x)[(0, 0)].max(0.0).sqrt())
    }

    fn scaled(mut self, scales: &[f64]) -> Self {
        for (k, scale) in scales.iter().enumerate() {
            self.mean[k] *= scale;
            self.covariance.row_mut(k).scale_mut(*scale);
            self.covariance.column_mut(k).scale_mut(*scale);
        }
        self
    }
}

/// The factors of ln head at a use, in the order of the parameters.
fn point(used: [f64; 2], parameters: usize) -> DVector<f64> {
    DVector::from_fn(parameters, |k, _| if k + 1 == parameters { 1.0 } else { -used[k] })
}

/// What is known of ln head at a use: a normal density or, as a bound, a normal tail.
#[derive(Debug, Clone, Copy)]
pub(super) struct Seen {
    /// Use in which a loss of one prior standard deviation takes 1 of ln head.
    pub used: [f64; 2],
    pub ln_head: f64,
    pub sd: f64,
    pub relation: Relation,
}

#[derive(Debug, Clone)]
pub(super) struct Density {
    /// The head when new and the exact tests.
    pub exact: Vec<Seen>,
    pub bounds: Vec<Seen>,
    /// Of the normal density, the losses in their scales.
    pub gaussian: Moments,
    /// Means of the losses by the prior, in their scales.
    prior_means: Vec<f64>,
    ln_head_new: Gaussian,
    scales: Vec<f64>,
    pub sigma: f64,
    pub cut: bool,
    /// The use at which the moments are taken: the last test's.
    tested: UsePoint,
}

impl Density {
    pub fn new(prior: &Prior, tests: &[HeadTest]) -> Result<Self, NoEstimate> {
        let losses: Vec<Gaussian> =
            [Some(prior.loss_per_hour), prior.loss_per_wash].into_iter().flatten().collect();
        let scales: Vec<f64> = losses.iter().map(|loss| loss.sd).collect();
        let new = prior.ln_head_new;
        let mut exact =
            vec![Seen { used: [0.0; 2], ln_head: new.mean, sd: new.sd, relation: Relation::Exact }];
        let mut bounds = Vec::new();
        for test in tests {
            let list = if test.is_exact() { &mut exact } else { &mut bounds };
            let (ln_head, relation) = (test.head_mm.ln(), test.relation);
            list.push(Seen { used: scaled(test.at, &scales), ln_head, sd: prior.sigma, relation });
        }
        let prior_means: Vec<f64> = losses.iter().map(|loss| loss.mean / loss.sd).collect();
        Ok(Self {
            gaussian: regression(&prior_means, &exact)?,
            exact,
            bounds,
            prior_means,
            ln_head_new: new,
            scales,
            sigma: prior.sigma,
            cut: prior.losses_not_negative,
            tested: tests.last().map_or(UsePoint { worn_h: 0.0, washes: 0.0 }, |test| test.at),
        })
    }

    /// Whether everything is normal, so that no integration is needed.
    pub fn is_closed(&self) -> bool {
        self.bounds.is_empty() && !self.cut
    }

    /// Number of losses: by hour, and by wash where there is one.
    pub fn losses(&self) -> usize {
        self.scales.len()
    }

    /// How much of ln head at a use a loss takes, by its scale.
    pub fn used(&self, at: UsePoint) -> [f64; 2] {
        scaled(at, &self.scales)
    }

    /// Mean and covariance of the prior by itself: its parts do not depend on each other.
    pub fn prior_moments(&self) -> Moments {
        let parts =
            self.prior_means.iter().map(|mean| if self.cut { cut_at_zero(*mean) } else { (*mean, 1.0) });
        let new = self.ln_head_new;
        let parts: Vec<(f64, f64)> = parts.chain([(new.mean, new.sd * new.sd)]).collect();
        let part =
            |second: bool| parts.iter().map(move |(mean, variance)| if second { *variance } else { *mean });
        let mean = DVector::from_iterator(parts.len(), part(false));
        let covariance = DMatrix::from_diagonal(&DVector::from_iterator(parts.len(), part(true)));
        Moments { mean, covariance }.scaled(&self.scales)
    }

    /// Mean and covariance.
    ///
    /// # Errors
    /// `Because` when the tests contradict the prior beyond what numbers can hold.
    pub fn moments(&self) -> Result<Moments, NoEstimate> {
        if self.is_closed() {
            return Ok(self.gaussian.clone().scaled(&self.scales));
        }
        if self.exact.len() == 1 && self.bounds.is_empty() {
            return Ok(self.prior_moments());
        }
        let along = Along::new(self, self.tested)?;
        // Integrals over all: good to the square of the tolerance.
        let (panels, tolerance) = if self.bounds.is_empty() { (4, 3e-6) } else { (2, 3e-5) };
        let fitted =
            Fitted::new(&along.ask(along.mean, along.sd, DROP, panels, tolerance), |y| along.ln_density(y))?;
        let parameters = self.losses() + 1;
        let used = point(self.used(self.tested), parameters);
        let mut mean = DVector::zeros(parameters);
        let mut squares = DMatrix::zeros(parameters, parameters);
        // About the middle, so that squares do not cancel.
        let middle = &self.gaussian.mean;
        for (y, share) in fitted.shares() {
            let (losses, covariance) = along.losses_given(y)?;
            let mut theta =
                DVector::from_fn(parameters, |k, _| if k < self.losses() { losses[k] } else { y });
            let lost = used.rows(0, self.losses()).dot(&theta.rows(0, self.losses()));
            theta[parameters - 1] -= lost;
            theta -= middle;
            // ln head new given y moves with the losses.
            let turn = DMatrix::from_fn(parameters, self.losses(), |i, j| {
                if i == j {
                    1.0
                } else if i + 1 == parameters {
                    -used[j]
                } else {
                    0.0
                }
            });
            let within = DMatrix::from_fn(self.losses(), self.losses(), |i, j| covariance[i + j]);
            squares += (&turn * within * turn.transpose() + &theta * theta.transpose()) * share;
            mean.axpy(share, &theta, 1.0);
        }
        let covariance = squares - &mean * mean.transpose();
        for value in mean.iter().chain(covariance.iter()) {
            finite("the update", *value)?;
        }
        Ok(Moments { mean: mean + middle, covariance }.scaled(&self.scales))
    }

    /// The density of ln head at a use, of which the mean and the standard deviation are known.
    ///
    /// # Errors
    /// Those of [`Self::moments`]; `NotFinite`.
    pub fn marginal(&self, at: UsePoint, mean: f64, sd: f64) -> Result<Marginal, NoEstimate> {
        let along = Along::new(self, at)?;
        // No finer than the integrals over the losses are known.
        let tolerance = match (self.bounds.is_empty(), self.losses()) {
            (true, 1) => 3e-8,
            (true, _) => 3e-7,
            (false, _) => 1e-6,
        };
        let ask: Ask = along.ask(mean, sd, DROP, 4, tolerance);
        Ok(Marginal::new(Fitted::new(&ask, |y| along.ln_density(y))?, self.sigma))
    }
}

fn scaled(at: UsePoint, scales: &[f64]) -> [f64; 2] {
    let scale = |k: usize| scales.get(k).copied().unwrap_or(0.0);
    [at.worn_h * scale(0), at.washes * scale(1)]
}

/// Mean and variance of a normal variable of variance 1 that is cut off at zero.
pub(super) fn cut_at_zero(mean: f64) -> (f64, f64) {
    let hazard = normal_hazard(-mean);
    (mean + hazard, (1.0 - hazard * (hazard + mean)).max(0.0))
}

/// Conjugate normal regression with known scatter.
fn regression(prior_means: &[f64], exact: &[Seen]) -> Result<Moments, NoEstimate> {
    let losses = prior_means.len();
    let mut precision = DMatrix::identity(losses + 1, losses + 1);
    precision[(losses, losses)] = 0.0;
    let mut moment = DVector::from_fn(losses + 1, |k, _| prior_means.get(k).copied().unwrap_or(0.0));
    for seen in exact {
        let (x, weight) = (point(seen.used, losses + 1), seen.sd.powi(-2));
        precision.ger(weight, &x, &x, 1.0);
        moment.axpy(weight * seen.ln_head, &x, 1.0);
    }
    let cholesky = Cholesky::new(precision).ok_or(OVERFLOW)?;
    let gaussian = Moments { mean: cholesky.solve(&moment), covariance: cholesky.inverse() };
    for value in gaussian.mean.iter().chain(gaussian.covariance.iter()) {
        finite("the update", *value)?;
    }
    Ok(gaussian)
}
