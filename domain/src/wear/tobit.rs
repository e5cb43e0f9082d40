//! Maximum likelihood of a line of ln head when some tests are bounds.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::head_test::{HeadTest, UsePath, UsePoint, check_tests, greatest_hours, varies};
use super::likelihood::{Expansion, minimise};
use super::ln_head::LnHead;
use super::model::{WearMethod, WearModel};
use crate::metrology::resolution::positive;
use crate::no_estimate::{NoEstimate, finite};

/// A line of ln head fitted to exact and censored tests.
#[derive(Debug, Clone, Serialize)]
pub struct TobitWear {
    /// ln of the head in mm at no use.
    pub intercept: f64,
    /// Change of ln head by hour worn.
    pub per_hour: f64,
    /// Its standard error, from the curvature of the likelihood.
    pub se_per_hour: f64,
    /// Change of ln head by wash; `None` when washes did not vary apart from the hours.
    pub per_wash: Option<f64>,
    /// Standard deviation of ln head about the line.
    pub sigma: f64,
    /// Whether sigma was given and not fitted.
    pub sigma_fixed: bool,
    /// Number of tests.
    pub n: usize,
    /// Of those, bounds.
    pub censored: usize,
    /// Greatest hours worn among the tests.
    pub tested_h: f64,
    #[serde(skip)]
    beta: DVector<f64>,
    #[serde(skip)]
    covariance: DMatrix<f64>,
}

/// Fits ln head on hours worn (and washes where they vary) by maximum likelihood: a normal density for an exact test, an
/// upper tail for ">=", a lower tail for "<". `sigma` fixes the scatter; otherwise it is fitted too.
///
/// In the parametrisation of Olsen (1978), Econometrica 46:1211 (from memory), in which the likelihood has one maximum.
///
/// # Errors
/// `AllCensored`; `TooFew` exact tests (as many as coefficients are needed, and one more when sigma is fitted); `NoSpread` when the exact tests' hours do not vary; `NotFinite`, `OutOfRange`; `Because` when
/// the likelihood has no maximum.
pub fn fit_tobit(tests: &[HeadTest], sigma: Option<f64>) -> Result<TobitWear, NoEstimate> {
    check_tests(tests)?;
    if let Some(sigma) = sigma {
        positive("the tests' standard deviation", sigma)?;
    }
    let exact: Vec<&HeadTest> = tests.iter().filter(|test| test.is_exact()).collect();
    if exact.is_empty() && !tests.is_empty() {
        return Err(NoEstimate::AllCensored);
    }
    let with_washes = varies(exact.iter().map(|test| test.at.washes)) && exact.len() >= 4;
    let columns = if with_washes { 3 } else { 2 };
    let needed = columns + usize::from(sigma.is_none());
    if exact.len() < needed {
        return Err(NoEstimate::TooFew { what: "exact head tests", needed, got: exact.len() });
    }
    if !varies(exact.iter().map(|test| test.at.worn_h)) {
        return Err(NoEstimate::NoSpread { what: "hours worn" });
    }
    // Hours and washes in units of their reach, ln head about the first: the steps are then of like size.
    let reach = |most: f64| if most > 0.0 { most } else { 1.0 };
    let hours = reach(greatest_hours(tests));
    let washes = reach(tests.iter().fold(0.0, |most, test| most.max(test.at.washes)));
    let level = exact[0].head_mm.ln();
    let row = |test: &HeadTest| {
        let all = [1.0, test.at.worn_h / hours, test.at.washes / washes];
        DVector::from_column_slice(&all[..columns])
    };
    let rows: Vec<(DVector<f64>, f64)> =
        tests.iter().map(|test| (row(test), test.head_mm.ln() - level)).collect();
    let scale = DVector::from_column_slice(&[1.0, 1.0 / hours, 1.0 / washes][..columns]);

    let (mut beta, sigma_found, covariance) = match sigma {
        Some(sigma) => {
            let (beta, there) = minimise(DVector::zeros(columns), |beta| {
                let mut sum = Expansion::zero(columns);
                for ((x, y), test) in rows.iter().zip(tests) {
                    sum.add(test.relation, (y - x.dot(beta)) / sigma, &(-x / sigma));
                }
                Some(sum)
            })?;
            (beta, sigma, inverse(there.hessian)?)
        }
        None => fit_scaled(&rows, tests, columns)?,
    };
    beta.component_mul_assign(&scale);
    beta[0] += level;
    let covariance = DMatrix::from_fn(columns, columns, |i, j| covariance[(i, j)] * scale[i] * scale[j]);
    for value in beta.iter().chain(covariance.iter()) {
        finite("the fit", *value)?;
    }
    Ok(TobitWear {
        intercept: beta[0],
        per_hour: beta[1],
        se_per_hour: covariance[(1, 1)].max(0.0).sqrt(),
        per_wash: with_washes.then(|| beta[2]),
        sigma: sigma_found,
        sigma_fixed: sigma.is_some(),
        n: tests.len(),
        censored: tests.len() - exact.len(),
        tested_h: greatest_hours(tests),
        beta,
        covariance,
    })
}

fn inverse(hessian: DMatrix<f64>) -> Result<DMatrix<f64>, NoEstimate> {
    hessian.try_inverse().ok_or(NoEstimate::Singular { what: "hours worn and washes" })
}

/// Coefficients, sigma and the coefficients' covariance, with sigma fitted: theta = (beta / sigma, 1 / sigma).
fn fit_scaled(
    rows: &[(DVector<f64>, f64)],
    tests: &[HeadTest],
    columns: usize,
) -> Result<(DVector<f64>, f64, DMatrix<f64>), NoEstimate> {
    let mut start = DVector::zeros(columns + 1);
    start[columns] = 1.0;
    let (theta, there) = minimise(start, |theta| {
        let precision = theta[columns];
        if precision <= 0.0 {
            return None;
        }
        let mut sum = Expansion::zero(columns + 1);
        for ((x, y), test) in rows.iter().zip(tests) {
            let mut derivative = DVector::zeros(columns + 1);
            derivative.rows_mut(0, columns).copy_from(&-x);
            derivative[columns] = *y;
            sum.add(test.relation, derivative.dot(theta), &derivative);
            if test.is_exact() {
                sum.value -= precision.ln();
                sum.gradient[columns] -= 1.0 / precision;
                sum.hessian[(columns, columns)] += 1.0 / (precision * precision);
            }
        }
        Some(sum)
    })?;
    let precision = theta[columns];
    let sigma = 1.0 / precision;
    if !(1e-9..1e9).contains(&sigma) {
        return Err(NoEstimate::NoSpread { what: "heads about the line" });
    }
    let beta = theta.rows(0, columns) * sigma;
    // beta = delta / gamma: derivatives 1/gamma by delta and -delta/gamma^2 by gamma.
    let jacobian = DMatrix::from_fn(columns, columns + 1, |i, j| {
        if j == columns { -beta[i] * sigma } else { f64::from(u8::from(i == j)) * sigma }
    });
    let covariance = &jacobian * inverse(there.hessian)? * jacobian.transpose();
    Ok((beta, sigma, covariance))
}

impl WearModel for TobitWear {
    fn method(&self) -> WearMethod {
        WearMethod::CensoredLikelihood
    }

    fn tests(&self) -> (usize, usize) {
        (self.n, self.censored)
    }

    fn tested_h(&self) -> f64 {
        self.tested_h
    }

    fn trend(&self, path: &UsePath) -> f64 {
        self.per_hour + path.washes_per_h * self.per_wash.unwrap_or(0.0)
    }

    fn ln_head(&self, at: UsePoint) -> Result<(f64, f64, f64), NoEstimate> {
        let all = [1.0, at.worn_h, at.washes];
        let x = DVector::from_column_slice(&all[..self.beta.len()]);
        let error = (x.transpose() * &self.covariance * &x)[(0, 0)].max(0.0).sqrt();
        Ok((finite("ln head", x.dot(&self.beta))?, finite("its error", error)?, error.hypot(self.sigma)))
    }

    fn distribution(&self, at: UsePoint) -> Result<LnHead, NoEstimate> {
        let (mean, sd, sd_next) = self.ln_head(at)?;
        Ok(LnHead::normal(mean, sd, sd_next))
    }
}
