//! Newton's method on the convex negative log-likelihoods of exact and censored tests.

use nalgebra::{Cholesky, DMatrix, DVector};

use crate::distributions::{normal_hazard, normal_log_sf};
use crate::no_estimate::NoEstimate;
use crate::waterproofness::Relation;

/// Value, gradient and Hessian of a convex function.
pub(super) struct Expansion {
    pub value: f64,
    pub gradient: DVector<f64>,
    pub hessian: DMatrix<f64>,
}

impl Expansion {
    pub fn zero(p: usize) -> Self {
        Self { value: 0.0, gradient: DVector::zeros(p), hessian: DMatrix::zeros(p, p) }
    }

    /// Adds -ln P of one standardised observation `v = x'theta` (derivatives of `v` are `x`): the normal density for an exact
    /// one, the upper tail of `v` for "at least", the lower for "below".
    pub fn add(&mut self, relation: Relation, v: f64, x: &DVector<f64>) {
        let (value, first, second) = match relation {
            Relation::Exact => (0.5 * v * v, v, 1.0),
            Relation::AtLeast => {
                let hazard = normal_hazard(v);
                (-normal_log_sf(v), hazard, hazard * (hazard - v))
            }
            Relation::Below => {
                let hazard = normal_hazard(-v);
                (-normal_log_sf(-v), -hazard, hazard * (hazard + v))
            }
        };
        self.value += value;
        self.gradient.axpy(first, x, 1.0);
        self.hessian.ger(second.max(0.0), x, x, 1.0);
    }
}

/// A Newton decrement this small beside the value is rounding.
const ROUNDING: f64 = 1e-11;

/// Minimises a convex function by damped Newton steps; `None` from the function means outside its domain.
///
/// # Errors
/// `Because` when there is no minimum within reach.
pub(super) fn minimise(
    start: DVector<f64>,
    expand: impl Fn(&DVector<f64>) -> Option<Expansion>,
) -> Result<(DVector<f64>, Expansion), NoEstimate> {
    const NONE: NoEstimate = NoEstimate::Because("the likelihood of these tests has no maximum");
    let mut at = start;
    let mut here = expand(&at).ok_or(NONE)?;
    for _ in 0..200 {
        let step = Cholesky::new(here.hessian.clone()).ok_or(NONE)?.solve(&here.gradient);
        let decrement = here.gradient.dot(&step);
        if !decrement.is_finite() {
            return Err(NONE);
        }
        if decrement <= 1e-20 * (1.0 + here.value.abs()) {
            return Ok((at, here));
        }
        let mut factor = 1.0;
        loop {
            let next = &at - &step * factor;
            if let Some(there) = expand(&next).filter(|there| {
                there.value.is_finite() && there.value <= here.value - 1e-4 * factor * decrement
            }) {
                (at, here) = (next, there);
                break;
            }
            factor *= 0.5;
            if factor < 1e-12 {
                // No lower value can be told apart: this is the minimum as far as numbers reach, or there is none.
                return if decrement < ROUNDING * (1.0 + here.value.abs()) {
                    Ok((at, here))
                } else {
                    Err(NONE)
                };
            }
        }
    }
    // Steps too small to lower the value, yet not zero: rounding holds them up.
    let step = Cholesky::new(here.hessian.clone()).ok_or(NONE)?.solve(&here.gradient);
    if here.gradient.dot(&step) < ROUNDING * (1.0 + here.value.abs()) { Ok((at, here)) } else { Err(NONE) }
}
