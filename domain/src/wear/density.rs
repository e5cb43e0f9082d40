//! The density of the wear model's two or three parameters, and integrals over it.
//!
//! Parameters in the order: loss by hour, loss by wash (where there is one), ln head new. The last is never cut off, so that a
//! threshold on ln head becomes a limit of the innermost integral, and without bounds that integral has a closed form.

use nalgebra::{Cholesky, DMatrix, DVector};

use super::head_test::{HeadTest, UsePoint};
use super::likelihood::{Expansion, minimise};
use super::prior::{Gaussian, Prior};
use super::quadrature::{composite, legendre};
use crate::distributions::{normal_log_sf, normal_sf};
use crate::no_estimate::{NoEstimate, finite};
use crate::waterproofness::Relation;

/// How far the integrals reach, in standard deviations.
const REACH: f64 = 9.0;

/// Panels of an outer integral of what changes no faster than over a third of a standard deviation; faster changes (a use far
/// beyond the tests) get more, up to the limit.
const PANELS: usize = 6;
const MOST_PANELS: usize = 40;

const CONTRADICTION: NoEstimate = NoEstimate::Because("the tests contradict the prior");
const OVERFLOW: NoEstimate = NoEstimate::NotFinite { what: "the update" };

#[derive(Debug, Clone)]
pub(super) struct Moments {
    pub mean: DVector<f64>,
    pub covariance: DMatrix<f64>,
}

impl Moments {
    /// Mean and standard deviation of x'theta.
    pub fn at(&self, x: &DVector<f64>) -> (f64, f64) {
        (x.dot(&self.mean), variance(x, &self.covariance).sqrt())
    }
}

pub(super) fn variance(x: &DVector<f64>, covariance: &DMatrix<f64>) -> f64 {
    (x.transpose() * covariance * x)[(0, 0)].max(0.0)
}

/// The factors of ln head at a use, in the order of the parameters.
pub(super) fn point(at: UsePoint, p: usize) -> DVector<f64> {
    if p == 2 {
        DVector::from_column_slice(&[-at.worn_h, 1.0])
    } else {
        DVector::from_column_slice(&[-at.worn_h, -at.washes, 1.0])
    }
}

/// A normal density (prior and exact tests), times normal tails (bounds), cut off where losses would be negative.
#[derive(Debug, Clone)]
pub(super) struct Density {
    gaussian: Moments,
    precision: DMatrix<f64>,
    /// Of the losses alone.
    loss_precision: DMatrix<f64>,
    /// Mean of ln head new by the losses, and its standard deviation given them.
    by_loss: DVector<f64>,
    given_losses: f64,
    bounds: Vec<(DVector<f64>, f64, Relation)>,
    pub sigma: f64,
    cut: bool,
    frame: Option<Frame>,
}

/// Whitening of the integration, theta = centre + root z, fitted to the density.
#[derive(Debug, Clone)]
struct Frame {
    centre: DVector<f64>,
    root: DMatrix<f64>,
    nodes: usize,
    inner: Vec<(f64, f64)>,
    log_scale: f64,
    total: f64,
}

impl Density {
    pub fn new(prior: &Prior, tests: &[HeadTest]) -> Result<Self, NoEstimate> {
        let parts: Vec<Gaussian> = [Some(prior.loss_per_hour), prior.loss_per_wash, Some(prior.ln_head_new)]
            .into_iter()
            .flatten()
            .collect();
        let p = parts.len();
        let mut precision =
            DMatrix::from_diagonal(&DVector::from_iterator(p, parts.iter().map(|g| g.sd.powi(-2))));
        let mut moment = DVector::from_iterator(p, parts.iter().map(|g| g.mean / (g.sd * g.sd)));
        let weight = prior.sigma.powi(-2);
        for test in tests.iter().filter(|test| test.is_exact()) {
            let x = point(test.at, p);
            precision.ger(weight, &x, &x, 1.0);
            moment.axpy(weight * test.head_mm.ln(), &x, 1.0);
        }
        let cholesky = Cholesky::new(precision.clone()).ok_or(OVERFLOW)?;
        let gaussian = Moments { mean: cholesky.solve(&moment), covariance: cholesky.inverse() };
        for value in gaussian.mean.iter().chain(gaussian.covariance.iter()) {
            finite("the update", *value)?;
        }
        let losses = p - 1;
        let loss_covariance = gaussian.covariance.view((0, 0), (losses, losses)).clone_owned();
        let loss_precision = loss_covariance.try_inverse().ok_or(OVERFLOW)?;
        let by_loss = &loss_precision * gaussian.covariance.view((0, losses), (losses, 1)).column(0);
        let bounds = tests
            .iter()
            .filter(|test| !test.is_exact())
            .map(|test| (point(test.at, p), test.head_mm.ln(), test.relation))
            .collect();
        Ok(Self {
            given_losses: precision[(losses, losses)].powf(-0.5),
            gaussian,
            precision,
            loss_precision,
            by_loss,
            bounds,
            sigma: prior.sigma,
            cut: prior.losses_not_negative,
            frame: None,
        })
    }

    /// Whether everything is normal, so that no integration is needed.
    pub fn is_closed(&self) -> bool {
        self.frame.is_none()
    }

    fn log(&self, theta: &DVector<f64>) -> f64 {
        let bounds: f64 = self
            .bounds
            .iter()
            .map(|(x, y, relation)| {
                let v = (y - x.dot(theta)) / self.sigma;
                normal_log_sf(if *relation == Relation::Below { -v } else { v })
            })
            .sum();
        bounds - 0.5 * quadratic(theta, &self.gaussian.mean, &self.precision)
    }

    /// Mean of ln head new given the losses.
    fn mean_given(&self, theta: &DVector<f64>) -> f64 {
        let losses = self.by_loss.len();
        self.gaussian.mean[losses]
            + (0..losses).map(|k| self.by_loss[k] * (theta[k] - self.gaussian.mean[k])).sum::<f64>()
    }

    /// The mode without the cut, and the curvature there.
    fn mode(&self) -> Result<Moments, NoEstimate> {
        let (mean, there) = minimise(self.gaussian.mean.clone(), |theta| {
            let off = theta - &self.gaussian.mean;
            let mut sum = Expansion::zero(theta.len());
            sum.gradient = &self.precision * &off;
            sum.value = 0.5 * off.dot(&sum.gradient);
            sum.hessian = self.precision.clone();
            for (x, y, relation) in &self.bounds {
                sum.add(*relation, (y - x.dot(theta)) / self.sigma, &(-x / self.sigma));
            }
            Some(sum)
        })?;
        let covariance = there.hessian.try_inverse().ok_or(CONTRADICTION)?;
        Ok(Moments { mean, covariance })
    }

    /// Fits the frame of integration to the density's own mean and spread, and returns those.
    pub fn framed(mut self) -> Result<(Self, Moments), NoEstimate> {
        if self.bounds.is_empty() && !self.cut {
            let moments = self.gaussian.clone();
            return Ok((self, moments));
        }
        let p = self.gaussian.mean.len();
        let mut moments = self.mode()?;
        let nodes = if p == 2 || self.bounds.is_empty() { 12 } else { 10 };
        let inner = legendre(40);
        for _ in 0..8 {
            let root = Cholesky::new(moments.covariance.clone()).ok_or(CONTRADICTION)?.unpack();
            let mut frame = Frame {
                centre: moments.mean.clone(),
                root,
                nodes,
                inner: inner.clone(),
                log_scale: 0.0,
                total: 1.0,
            };
            frame.log_scale = frame.greatest(&self);
            if !frame.log_scale.is_finite() {
                return Err(CONTRADICTION);
            }
            let next = frame.moments(&self)?;
            let settled = (0..p).all(|k| {
                let (old, new) = (moments.covariance[(k, k)], next.covariance[(k, k)]);
                (next.mean[k] - moments.mean[k]).powi(2) <= 0.01 * new && (new / old - 1.0).abs() <= 0.05
            });
            moments = next;
            self.frame = Some(frame);
            if settled {
                break;
            }
        }
        Ok((self, moments))
    }

    /// P(x'theta >= ln).
    pub fn p_true(&self, x: &DVector<f64>, ln: f64) -> Result<f64, NoEstimate> {
        self.share(x, 0.0, |frame, theta, weight| {
            let start = ln - self.lost(x, theta);
            if self.bounds.is_empty() {
                frame.outer_density(self, theta, weight)
                    * normal_sf((start - self.mean_given(theta)) / self.given_losses)
            } else {
                let mut above = 0.0;
                frame.innermost(self, Some(start), theta, weight, |_, weight| above += weight);
                above
            }
        })
    }

    /// P(x'theta + e >= ln) with e the scatter of a test.
    pub fn p_next(&self, x: &DVector<f64>, ln: f64) -> Result<f64, NoEstimate> {
        self.share(x, self.sigma, |frame, theta, weight| {
            if self.bounds.is_empty() {
                let start = ln - self.lost(x, theta);
                let sd = self.given_losses.hypot(self.sigma);
                frame.outer_density(self, theta, weight) * normal_sf((start - self.mean_given(theta)) / sd)
            } else {
                let mut above = 0.0;
                frame.innermost(self, None, theta, weight, |theta, weight| {
                    above += weight * normal_sf((ln - x.dot(theta)) / self.sigma);
                });
                above
            }
        })
    }

    fn lost(&self, x: &DVector<f64>, theta: &DVector<f64>) -> f64 {
        (0..self.by_loss.len()).map(|k| x[k] * theta[k]).sum()
    }

    /// The share of the density that `part` lets through. `part` falls off along x'theta over the spread that is left when the
    /// losses are known, `scatter` included.
    fn share(
        &self,
        x: &DVector<f64>,
        scatter: f64,
        mut part: impl FnMut(&Frame, &mut DVector<f64>, f64) -> f64,
    ) -> Result<f64, NoEstimate> {
        let frame = self.frame.as_ref().ok_or(CONTRADICTION)?;
        let p = x.len();
        let left = if self.bounds.is_empty() { self.given_losses } else { frame.root[(p - 1, p - 1)] };
        let along = frame.root.transpose() * x;
        let steepest = along.rows(0, p - 1).amax() / left.hypot(scatter);
        let panels = (PANELS as f64 * (steepest / 3.0).max(1.0)).ceil().min(MOST_PANELS as f64);
        let mut above = 0.0;
        frame.visit(self.cut, panels as usize, |theta, weight| above += part(frame, theta, weight));
        Ok(finite("the probability", above / frame.total)?.clamp(0.0, 1.0))
    }
}

fn quadratic(theta: &DVector<f64>, mean: &DVector<f64>, precision: &DMatrix<f64>) -> f64 {
    let p = precision.nrows();
    let mut sum = 0.0;
    for i in 0..p {
        for j in 0..p {
            sum += (theta[i] - mean[i]) * precision[(i, j)] * (theta[j] - mean[j]);
        }
    }
    sum
}

impl Frame {
    /// Middle of parameter `k` given the ones before it.
    fn base(&self, k: usize, theta: &DVector<f64>) -> f64 {
        let mut z = [0.0; 3];
        for i in 0..k {
            let before: f64 = (0..i).map(|j| self.root[(i, j)] * z[j]).sum();
            z[i] = (theta[i] - self.centre[i] - before) / self.root[(i, i)];
        }
        self.centre[k] + (0..k).map(|j| self.root[(k, j)] * z[j]).sum::<f64>()
    }

    /// Calls `f` at every node of the losses.
    fn visit(&self, cut: bool, panels: usize, mut f: impl FnMut(&mut DVector<f64>, f64)) {
        let mut theta = self.centre.clone();
        let nodes = composite(panels, self.nodes);
        self.visit_from(0, cut, &nodes, &mut theta, 1.0, &mut f);
    }

    fn visit_from(
        &self,
        k: usize,
        cut: bool,
        nodes: &[(f64, f64)],
        theta: &mut DVector<f64>,
        weight: f64,
        f: &mut impl FnMut(&mut DVector<f64>, f64),
    ) {
        if k + 1 == self.centre.len() {
            f(theta, weight);
            return;
        }
        let (base, step) = (self.base(k, theta), self.root[(k, k)]);
        let low = if cut { (-base / step).max(-REACH) } else { -REACH };
        let high = REACH.max(low + 0.5 * REACH);
        let (middle, half) = (0.5 * (low + high), 0.5 * (high - low));
        for (node, node_weight) in nodes {
            theta[k] = base + step * (middle + half * node);
            self.visit_from(k + 1, cut, nodes, theta, weight * half * node_weight, f);
        }
    }

    /// The losses' own density there, where there are no bounds.
    fn outer_density(&self, density: &Density, theta: &DVector<f64>, weight: f64) -> f64 {
        let log = -0.5 * quadratic(theta, &density.gaussian.mean, &density.loss_precision);
        weight * (log - self.log_scale).exp()
    }

    /// Calls `f` at every node of ln head new, from `start` on.
    fn innermost(
        &self,
        density: &Density,
        start: Option<f64>,
        theta: &mut DVector<f64>,
        weight: f64,
        mut f: impl FnMut(&DVector<f64>, f64),
    ) {
        let k = self.centre.len() - 1;
        let (base, step) = (self.base(k, theta), self.root[(k, k)]);
        let low = start.map_or(-REACH, |start| ((start - base) / step).max(-REACH));
        if low >= REACH {
            return;
        }
        let (middle, half) = (0.5 * (low + REACH), 0.5 * (REACH - low));
        for (node, node_weight) in &self.inner {
            theta[k] = base + step * (middle + half * node);
            f(theta, weight * half * node_weight * (density.log(theta) - self.log_scale).exp());
        }
    }

    fn greatest(&self, density: &Density) -> f64 {
        let mut most = f64::NEG_INFINITY;
        self.visit(density.cut, PANELS, |theta, _| {
            if density.bounds.is_empty() {
                most = most.max(-0.5 * quadratic(theta, &density.gaussian.mean, &density.loss_precision));
            } else {
                let k = self.centre.len() - 1;
                let (base, step) = (self.base(k, theta), self.root[(k, k)]);
                for (node, _) in &self.inner {
                    theta[k] = base + step * REACH * node;
                    most = most.max(density.log(theta));
                }
            }
        });
        most
    }

    /// Mean and covariance under the density; sets the total.
    fn moments(&mut self, density: &Density) -> Result<Moments, NoEstimate> {
        let p = self.centre.len();
        let (mut total, mut within) = (0.0, 0.0);
        let mut sum = DVector::zeros(p);
        let mut squares = DMatrix::zeros(p, p);
        let mut add = |theta: &DVector<f64>, weight: f64| {
            let off = theta - &self.centre;
            total += weight;
            sum.axpy(weight, &off, 1.0);
            squares.ger(weight, &off, &off, 1.0);
        };
        self.visit(density.cut, PANELS, |theta, weight| {
            if density.bounds.is_empty() {
                let weight = self.outer_density(density, theta, weight);
                theta[p - 1] = density.mean_given(theta);
                within += weight * density.given_losses.powi(2);
                add(theta, weight);
            } else {
                self.innermost(density, None, theta, weight, &mut add);
            }
        });
        squares[(p - 1, p - 1)] += within;
        if !(total.is_finite() && total > 0.0) {
            return Err(CONTRADICTION);
        }
        self.total = total;
        let shift = sum / total;
        Ok(Moments { mean: &self.centre + &shift, covariance: squares / total - &shift * shift.transpose() })
    }
}
