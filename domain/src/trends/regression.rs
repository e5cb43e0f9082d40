//! Least squares by Householder QR, and the straight line with its prediction interval.

use nalgebra::{DMatrix, DVector};

use super::series::{Interval, all_equal, check_points, check_values, mean, squares_about_mean, t_for_level};
use crate::no_estimate::{NoEstimate, finite};

/// A diagonal of R below this, for columns of unit length, means that a column is a combination of others.
const SINGULAR: f64 = 1e-13;

/// A fitted linear model `y = X b + e`.
#[derive(Debug, Clone, PartialEq)]
pub struct LeastSquares {
    /// Coefficients, in the order of the columns.
    pub coefficients: Vec<f64>,
    /// Their standard errors.
    pub standard_errors: Vec<f64>,
    /// Residual standard deviation `s = sqrt(SSE/(n - p))`.
    pub residual_sd: f64,
    /// Coefficient of determination; about the mean when a column is constant, else about zero.
    pub r_squared: f64,
    /// Sum of squared residuals.
    pub sse: f64,
    /// Degrees of freedom `n - p`.
    pub dof: usize,
    /// Number of observations.
    pub n: usize,
    /// Inverse of R for columns of unit length.
    r_inverse: DMatrix<f64>,
    /// Length of each column.
    lengths: Vec<f64>,
}

/// A predicted value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Prediction {
    /// The value of the model.
    pub value: f64,
    /// Interval of the mean there.
    pub mean: Interval,
    /// Interval of one more observation there.
    pub observation: Interval,
    /// Degrees of freedom.
    pub dof: usize,
}

/// Least squares of y on columns (the constant, if wanted, is a column of ones).
///
/// QR rather than normal equations, with columns scaled to unit length: the Longley data keep ten digits and more.
///
/// # Errors
/// [`NoEstimate`] for no columns, different lengths, values that are not finite, no observation more than columns, or
/// columns that are linearly dependent.
pub fn least_squares(columns: &[&[f64]], y: &[f64]) -> Result<LeastSquares, NoEstimate> {
    let (n, p) = (y.len(), columns.len());
    if p == 0 {
        return Err(NoEstimate::TooFew { what: "columns", needed: 1, got: 0 });
    }
    check_values("observations", y, p + 1)?;
    for column in columns {
        if column.len() != n {
            return Err(NoEstimate::LengthMismatch {
                what: "columns and values",
                left: column.len(),
                right: n,
            });
        }
        check_values("observations", column, p + 1)?;
    }
    let lengths: Vec<f64> = columns.iter().map(|c| length(c)).collect();
    if lengths.iter().any(|l| !l.is_normal()) {
        return Err(NoEstimate::Singular { what: "coefficients" });
    }
    let x = DMatrix::from_fn(n, p, |row, column| columns[column][row] / lengths[column]);
    let qr = x.clone().qr();
    let r = qr.r();
    if (0..p).any(|i| r[(i, i)].abs() < SINGULAR) {
        return Err(NoEstimate::Singular { what: "coefficients" });
    }
    let r_inverse = r.try_inverse().ok_or(NoEstimate::Singular { what: "coefficients" })?;
    let values = DVector::from_column_slice(y);
    let solve = |rhs: &DVector<f64>| {
        let mut projected = rhs.clone();
        qr.q_tr_mul(&mut projected);
        &r_inverse * projected.rows(0, p)
    };
    let mut scaled = solve(&values);
    // One step of refinement with the residuals.
    scaled += solve(&(&values - &x * &scaled));
    let residuals = &values - &x * &scaled;
    let sse = residuals.norm_squared();
    let dof = n - p;
    let residual_sd = finite("residual standard deviation", (sse / dof as f64).sqrt())?;
    let coefficients: Vec<f64> = scaled.iter().zip(&lengths).map(|(b, l)| b / l).collect();
    let standard_errors: Vec<f64> =
        (0..p).map(|i| residual_sd * r_inverse.row(i).norm() / lengths[i]).collect();
    for &number in coefficients.iter().chain(&standard_errors) {
        finite("coefficient", number)?;
    }
    let has_constant = columns.iter().any(|c| all_equal(c));
    let total = if has_constant { squares_about_mean(y) } else { values.norm_squared() };
    let r_squared = if total > 0.0 { (1.0 - sse / total).clamp(0.0, 1.0) } else { 0.0 };
    Ok(LeastSquares {
        coefficients,
        standard_errors,
        residual_sd,
        r_squared,
        sse,
        dof,
        n,
        r_inverse,
        lengths,
    })
}

/// Euclidean length without overflow.
fn length(values: &[f64]) -> f64 {
    let largest = values.iter().fold(0.0f64, |a, v| a.max(v.abs()));
    if largest == 0.0 {
        return 0.0;
    }
    largest * values.iter().map(|v| (v / largest).powi(2)).sum::<f64>().sqrt()
}

impl LeastSquares {
    /// Leverage `x'(X'X)^-1 x` of a row of the columns' values.
    fn leverage(&self, row: &[f64]) -> f64 {
        let scaled = DVector::from_iterator(row.len(), row.iter().zip(&self.lengths).map(|(v, l)| v / l));
        (self.r_inverse.transpose() * scaled).norm_squared()
    }

    /// The value of the model at a row of the columns' values, with `t s sqrt(h)` for the mean and `t s sqrt(1 + h)` for one
    /// more observation, h the leverage.
    ///
    /// # Errors
    /// [`NoEstimate`] for a row of another length, values that are not finite, or a level outside 0.5 to 0.999 999.
    pub fn predict(&self, row: &[f64], level: f64) -> Result<Prediction, NoEstimate> {
        if row.len() != self.coefficients.len() {
            return Err(NoEstimate::LengthMismatch {
                what: "row and coefficients",
                left: row.len(),
                right: self.coefficients.len(),
            });
        }
        check_values("values of the row", row, 0)?;
        let value = row.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum();
        self.around(value, self.leverage(row), level)
    }

    fn around(&self, value: f64, leverage: f64, level: f64) -> Result<Prediction, NoEstimate> {
        let reach = t_for_level(level, self.dof as f64)? * self.residual_sd;
        Ok(Prediction {
            value: finite("prediction", value)?,
            mean: Interval::around(value, reach * leverage.sqrt(), level)?,
            observation: Interval::around(value, reach * (1.0 + leverage).sqrt(), level)?,
            dof: self.dof,
        })
    }

    /// Interval of a coefficient.
    ///
    /// # Errors
    /// [`NoEstimate`] for a column that is not there, or a level outside 0.5 to 0.999 999.
    pub fn interval(&self, column: usize, level: f64) -> Result<Interval, NoEstimate> {
        let (Some(&b), Some(&se)) = (self.coefficients.get(column), self.standard_errors.get(column)) else {
            return Err(NoEstimate::Because("there is no such coefficient"));
        };
        Interval::around(b, t_for_level(level, self.dof as f64)? * se, level)
    }
}

/// A straight line `y = intercept + slope x`.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// Value at x = 0.
    pub intercept: f64,
    /// Its standard error.
    pub intercept_se: f64,
    /// Slope, y per x.
    pub slope: f64,
    /// Its standard error.
    pub slope_se: f64,
    /// Residual standard deviation.
    pub residual_sd: f64,
    /// Coefficient of determination.
    pub r_squared: f64,
    /// Degrees of freedom, n - 2.
    pub dof: usize,
    /// Number of points.
    pub n: usize,
    /// Mean of x, about which the line was fitted.
    centre: f64,
    model: LeastSquares,
}

/// Straight line through points by least squares. The order of the points does not matter.
///
/// # Errors
/// [`NoEstimate`] for different lengths, fewer than three points, values that are not finite, or x or y that are all
/// equal.
pub fn fit_line(x: &[f64], y: &[f64]) -> Result<Line, NoEstimate> {
    check_points(x, y)?;
    let centre = mean(x);
    let ones = vec![1.0; x.len()];
    // About the mean the two columns are orthogonal, whatever the origin of time.
    let about: Vec<f64> = x.iter().map(|x| x - centre).collect();
    let model = least_squares(&[&ones, &about], y)?;
    let (slope, slope_se) = (model.coefficients[1], model.standard_errors[1]);
    let at_zero = model.leverage(&[1.0, -centre]);
    Ok(Line {
        intercept: finite("intercept", model.coefficients[0] - slope * centre)?,
        intercept_se: finite("standard error", model.residual_sd * at_zero.sqrt())?,
        slope,
        slope_se,
        residual_sd: model.residual_sd,
        r_squared: model.r_squared,
        dof: model.dof,
        n: model.n,
        centre,
        model,
    })
}

impl Line {
    /// The line at x, with the intervals of the mean and of one more observation.
    ///
    /// # Errors
    /// [`NoEstimate`] for an x that is not finite, or a level outside 0.5 to 0.999 999.
    pub fn predict(&self, x: f64, level: f64) -> Result<Prediction, NoEstimate> {
        self.model.predict(&[1.0, finite("x", x)? - self.centre], level)
    }

    /// Interval of the slope.
    ///
    /// # Errors
    /// [`NoEstimate`] for a level outside 0.5 to 0.999 999.
    pub fn slope_interval(&self, level: f64) -> Result<Interval, NoEstimate> {
        self.model.interval(1, level)
    }
}
