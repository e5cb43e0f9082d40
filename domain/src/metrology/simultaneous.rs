//! Quantities observed together: means with their correlations, and results computed from them.

use nalgebra::DMatrix;
use serde::Serialize;

use crate::no_estimate::{NoEstimate, finite};

/// Estimates with standard uncertainties and correlations.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Estimates {
    /// Values.
    pub values: Vec<f64>,
    /// Standard uncertainties.
    pub u: Vec<f64>,
    /// Correlation coefficients, row by row; 0 beside a quantity without uncertainty.
    pub r: Vec<Vec<f64>>,
    /// Number of simultaneous sets they rest on.
    pub n: usize,
}

/// Means of quantities observed in simultaneous sets (one row a set, one column a quantity), standard uncertainties of the
/// means and correlation coefficients of the means.
///
/// Source: JCGM 100:2008, 4.2.3 and 5.2.3 (equation 17).
///
/// # Errors
/// `TooFew` for fewer than two sets; `LengthMismatch` for rows of unequal length; `NotFinite`.
pub fn simultaneous_means(sets: &[Vec<f64>]) -> Result<Estimates, NoEstimate> {
    let n = sets.len();
    if n < 2 {
        return Err(NoEstimate::TooFew { what: "simultaneous sets", needed: 2, got: n });
    }
    let p = sets[0].len();
    for set in sets {
        if set.len() != p {
            return Err(NoEstimate::LengthMismatch { what: "simultaneous sets", left: p, right: set.len() });
        }
        for value in set {
            finite("an observation", *value)?;
        }
    }
    let count = n as f64;
    // About the first set, so that a large common value costs no digits.
    let shifted = |i: usize, set: &[f64]| set[i] - sets[0][i];
    let offsets: Vec<f64> =
        (0..p).map(|i| sets.iter().map(|set| shifted(i, set)).sum::<f64>() / count).collect();
    let covariance = DMatrix::from_fn(p, p, |i, j| {
        sets.iter().map(|set| (shifted(i, set) - offsets[i]) * (shifted(j, set) - offsets[j])).sum::<f64>()
            / (count * (count - 1.0))
    });
    let values = (0..p).map(|i| sets[0][i] + offsets[i]).collect();
    estimates(values, &covariance, n)
}

/// Results computed from correlated estimates: `model` maps the inputs to one or more outputs.
///
/// The sensitivities are taken numerically over plus and minus one standard uncertainty, as JCGM 100:2008, 5.1.3 note 2
/// allows; the outputs' covariance follows 5.2.2 and H.2.
///
/// # Errors
/// `NotFinite` when the model is not finite there; `LengthMismatch` when it returns lists of unequal length.
pub fn propagate(inputs: &Estimates, model: impl Fn(&[f64]) -> Vec<f64>) -> Result<Estimates, NoEstimate> {
    let p = inputs.values.len();
    let values = model(&inputs.values);
    let outputs = values.len();
    let mut effects = DMatrix::zeros(outputs, p);
    for i in 0..p {
        let mut moved = inputs.values.clone();
        moved[i] = inputs.values[i] + inputs.u[i];
        let above = model(&moved);
        moved[i] = inputs.values[i] - inputs.u[i];
        let below = model(&moved);
        for result in [&above, &below] {
            if result.len() != outputs {
                return Err(NoEstimate::LengthMismatch {
                    what: "the results",
                    left: outputs,
                    right: result.len(),
                });
            }
        }
        for k in 0..outputs {
            effects[(k, i)] = finite("a sensitivity", 0.5 * (above[k] - below[k]))?;
        }
    }
    let r = DMatrix::from_fn(p, p, |i, j| inputs.r[i][j]);
    estimates(values, &(&effects * r * effects.transpose()), inputs.n)
}

fn estimates(values: Vec<f64>, covariance: &DMatrix<f64>, n: usize) -> Result<Estimates, NoEstimate> {
    for value in values.iter().chain(covariance.iter()) {
        finite("a result", *value)?;
    }
    let u: Vec<f64> = covariance.diagonal().iter().map(|variance| variance.max(0.0).sqrt()).collect();
    let coefficient = |i: usize, j: usize| {
        if i == j {
            1.0
        } else if u[i] > 0.0 && u[j] > 0.0 {
            (covariance[(i, j)] / (u[i] * u[j])).clamp(-1.0, 1.0)
        } else {
            0.0
        }
    };
    let r = (0..u.len()).map(|i| (0..u.len()).map(|j| coefficient(i, j)).collect()).collect();
    Ok(Estimates { values, u, r, n })
}
