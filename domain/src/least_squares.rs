//! Ordinary least squares on a small dense design, with the rank check that turns a hopeless system into a reason.

use nalgebra::{DMatrix, DVector};

use crate::no_estimate::NoEstimate;

/// A singular value this much smaller than the largest, after scaling the columns to unit length, counts as zero.
const RANK_TOLERANCE: f64 = 1e-10;

/// A fitted linear model.
#[derive(Debug, Clone)]
pub(crate) struct Fit {
    /// Coefficients.
    pub beta: DVector<f64>,
    /// (X'X)^-1.
    pub inverse: DMatrix<f64>,
    /// Residual sum of squares.
    pub rss: f64,
    /// n - p.
    pub dof: usize,
}

impl Fit {
    /// Residual standard deviation; `None` without degrees of freedom.
    pub fn s(&self) -> Option<f64> {
        (self.dof > 0).then(|| (self.rss / self.dof as f64).sqrt())
    }

    /// x'beta.
    pub fn value_at(&self, x: &[f64]) -> f64 {
        x.iter().zip(self.beta.iter()).map(|(x, b)| x * b).sum()
    }

    /// x'(X'X)^-1 x.
    pub fn leverage_at(&self, x: &[f64]) -> f64 {
        let x = DVector::from_column_slice(x);
        (x.transpose() * &self.inverse * &x)[(0, 0)].max(0.0)
    }
}

/// Fits y = X beta. The entries must be finite.
///
/// # Errors
/// `TooFew` for fewer rows than columns, `Singular` (naming `what`) for a design without full rank, `NotFinite` when the
/// numbers overflow.
pub(crate) fn fit(x: &DMatrix<f64>, y: &DVector<f64>, what: &'static str) -> Result<Fit, NoEstimate> {
    let (n, p) = x.shape();
    if n < p {
        return Err(NoEstimate::TooFew { what: "observations", needed: p, got: n });
    }
    let lengths: Vec<f64> = x.column_iter().map(|column| column.norm()).collect();
    if lengths.contains(&0.0) {
        return Err(NoEstimate::Singular { what });
    }
    if !lengths.iter().all(|length| length.is_finite()) {
        return Err(NoEstimate::NotFinite { what: "the sum of squares" });
    }
    let mut scaled = x.clone();
    for (mut column, length) in scaled.column_iter_mut().zip(&lengths) {
        column /= *length;
    }
    let svd = scaled.svd(true, true);
    let (Some(u), Some(v_t)) = (&svd.u, &svd.v_t) else {
        return Err(NoEstimate::Singular { what });
    };
    let sigma = &svd.singular_values;
    if sigma.min() <= RANK_TOLERANCE * sigma.max() {
        return Err(NoEstimate::Singular { what });
    }
    let projected = u.transpose() * y;
    let by_sigma = projected.component_div(sigma);
    let mut beta = v_t.transpose() * by_sigma;
    let mut root = v_t.transpose();
    for (mut column, s) in root.column_iter_mut().zip(sigma.iter()) {
        column /= *s;
    }
    for (i, length) in lengths.iter().enumerate() {
        beta[i] /= *length;
        root.row_mut(i).unscale_mut(*length);
    }
    let inverse = &root * root.transpose();
    let rss = (y - x * &beta).norm_squared();
    if beta.iter().chain(inverse.iter()).all(|v| v.is_finite()) && rss.is_finite() {
        Ok(Fit { beta, inverse, rss, dof: n - p })
    } else {
        Err(NoEstimate::NotFinite { what: "the fit" })
    }
}
