//! Least squares on ln head with a prediction interval: the way from five exact tests on.

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::head_test::{HeadTest, UsePath, UsePoint, check_tests, greatest_hours, varies};
use super::ln_head::LnHead;
use super::model::{WearMethod, WearModel};
use crate::least_squares::{self, Fit};
use crate::no_estimate::{NoEstimate, finite};

/// Tests below which a line is not fitted.
pub const LEAST_TESTS: usize = 5;

/// A fitted line of ln head.
#[derive(Debug, Clone, Serialize)]
pub struct OlsWear {
    /// ln of the head in mm at no use.
    pub intercept: f64,
    /// Change of ln head by hour worn (below zero when it falls).
    pub per_hour: f64,
    /// Its standard error.
    pub se_per_hour: f64,
    /// Change of ln head by wash; `None` when washes did not vary.
    pub per_wash: Option<f64>,
    /// Its standard error.
    pub se_per_wash: Option<f64>,
    /// Whether washes rose in step with the hours, so that their share is counted to the hours.
    pub washes_in_step: bool,
    /// Residual standard deviation of ln head.
    pub s: f64,
    /// Degrees of freedom.
    pub dof: usize,
    /// Number of tests.
    pub n: usize,
    /// Hours in which the head halves; `None` when it does not fall.
    pub half_life_h: Option<f64>,
    /// Greatest hours worn among the tests.
    pub tested_h: f64,
    #[serde(skip)]
    fit: Fit,
}

/// Fits ln head on hours worn, and on washes where they vary apart from the hours.
///
/// # Errors
/// `TooFew` for fewer than five tests; `NotFinite`, `OutOfRange`; `Because` when a test is a bound (the likelihood takes
/// those); `NoSpread` when the hours, or the heads about the line, do not vary.
pub fn fit_ols(tests: &[HeadTest]) -> Result<OlsWear, NoEstimate> {
    check_tests(tests)?;
    if tests.iter().any(|test| !test.is_exact()) {
        return Err(NoEstimate::Because("a bound (>= or <) is not a head to draw a line through"));
    }
    let n = tests.len();
    if n < LEAST_TESTS {
        return Err(NoEstimate::TooFew { what: "head tests", needed: LEAST_TESTS, got: n });
    }
    if !varies(tests.iter().map(|test| test.at.worn_h)) {
        return Err(NoEstimate::NoSpread { what: "hours worn" });
    }
    let y = DVector::from_iterator(n, tests.iter().map(|test| test.head_mm.ln()));
    let design = |columns: usize| {
        DMatrix::from_fn(n, columns, |row, column| match column {
            0 => 1.0,
            1 => tests[row].at.worn_h,
            _ => tests[row].at.washes,
        })
    };
    let fit = |columns| least_squares::fit(&design(columns), &y, "hours worn and washes");
    let washed = varies(tests.iter().map(|test| test.at.washes));
    let (fit, washes_in_step) = match washed.then(|| fit(3)) {
        Some(Ok(fit)) => (fit, false),
        Some(Err(NoEstimate::Singular { .. })) => (fit(2)?, true),
        Some(Err(other)) => return Err(other),
        None => (fit(2)?, false),
    };
    let s = fit.s().unwrap_or(0.0);
    // Rounding alone leaves this much of ln head.
    if s <= 1e-13 * y.amax().max(1.0) {
        return Err(NoEstimate::NoSpread { what: "heads about the line" });
    }
    let error = |k: usize| s * fit.inverse[(k, k)].sqrt();
    let with_washes = fit.beta.len() == 3;
    let per_hour = fit.beta[1];
    Ok(OlsWear {
        intercept: fit.beta[0],
        per_hour,
        se_per_hour: error(1),
        per_wash: with_washes.then(|| fit.beta[2]),
        se_per_wash: with_washes.then(|| error(2)),
        washes_in_step,
        s,
        dof: fit.dof,
        n,
        half_life_h: (per_hour < 0.0).then(|| std::f64::consts::LN_2 / -per_hour),
        tested_h: greatest_hours(tests),
        fit,
    })
}

impl OlsWear {
    /// Mean, standard error of the mean, and standard deviation of the next test, of ln head.
    fn moments(&self, at: UsePoint) -> Result<(f64, f64, f64), NoEstimate> {
        let x = [1.0, at.worn_h, at.washes];
        let x = &x[..self.fit.beta.len()];
        let leverage = self.fit.leverage_at(x);
        let mean = finite("ln head", self.fit.value_at(x))?;
        finite("the leverage", leverage)?;
        Ok((mean, self.s * leverage.sqrt(), self.s * (1.0 + leverage).sqrt()))
    }
}

impl WearModel for OlsWear {
    fn method(&self) -> WearMethod {
        WearMethod::LeastSquares
    }

    fn tests(&self) -> (usize, usize) {
        (self.n, 0)
    }

    fn tested_h(&self) -> f64 {
        self.tested_h
    }

    fn trend(&self, path: &UsePath) -> f64 {
        self.per_hour + path.washes_per_h * self.per_wash.unwrap_or(0.0)
    }

    fn ln_head(&self, at: UsePoint) -> Result<(f64, f64, f64), NoEstimate> {
        self.moments(at)
    }

    fn distribution(&self, at: UsePoint) -> Result<LnHead, NoEstimate> {
        let (mean, sd, sd_next) = self.moments(at)?;
        Ok(LnHead::student(mean, sd, sd_next, self.dof as f64))
    }
}
