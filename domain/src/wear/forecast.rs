//! The model that the tests allow, and what it says about a limit.

use serde::Serialize;

use super::head_test::{HeadTest, UsePath, UsePoint, check_tests};
use super::model::{HeadForecast, WearLife, WearModel};
use super::ols::{LEAST_TESTS, fit_ols};
use super::posterior::update;
use super::prior::{Prior, PriorBasis};
use super::tobit::fit_tobit;
use crate::metrology::resolution::positive;
use crate::no_estimate::{NoEstimate, finite};

/// Level of the two-sided interval of a head wherever one is shown or judged: that of every interval a rule is judged by
/// ([`crate::rules::Fact`]), so that no head passes by a narrower one.
pub const HEAD_LEVEL: f64 = 0.95;

/// One-sided level of the lower bound that decides about hours left: another question than [`HEAD_LEVEL`].
pub const LIFE_LEVEL: f64 = 0.95;

/// Head, probability and hours left from one model.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WearAnswer {
    /// The head at the asked use.
    pub head: HeadForecast,
    /// P(the garment's head >= limit) there.
    pub p_at_least: f64,
    /// P(the next test shows >= limit) there.
    pub p_next_at_least: f64,
    /// Hours until the one-sided 95 % bound meets the limit, or why that cannot be said.
    #[serde(serialize_with = "life_or_reason")]
    pub life: Result<WearLife, NoEstimate>,
    /// What of a prior to show beside the numbers; `None` for fitted models.
    pub assumption: Option<(PriorBasis, String)>,
}

fn life_or_reason<S: serde::Serializer>(
    life: &Result<WearLife, NoEstimate>,
    serializer: S,
) -> Result<S::Ok, S::Error> {
    #[derive(Serialize)]
    #[serde(untagged)]
    enum Shown<'a> {
        Life(&'a WearLife),
        Reason { no_estimate: String },
    }
    match life {
        Ok(life) => Shown::Life(life).serialize(serializer),
        Err(reason) => Shown::Reason { no_estimate: reason.to_string() }.serialize(serializer),
    }
}

/// The model that the tests allow.
pub struct FittedWear {
    /// The model.
    pub model: Box<dyn WearModel>,
    /// What of a prior to show beside its numbers; `None` for fitted models.
    pub assumption: Option<(PriorBasis, String)>,
}

/// Fits what the tests allow: from five exact tests on by least squares, with bounds among the tests by censored
/// likelihood; with fewer exact tests by the prior, or not at all when there is none. A prior without any test says what
/// was assumed and nothing else.
///
/// # Errors
/// Those of [`fit_ols`], [`fit_tobit`] and [`update`]; `TooFew` for fewer than five exact tests without a prior.
pub fn fit_wear(tests: &[HeadTest], prior: Option<&Prior>) -> Result<FittedWear, NoEstimate> {
    check_tests(tests)?;
    let exact = tests.iter().filter(|test| test.is_exact()).count();
    if exact >= LEAST_TESTS {
        let model: Box<dyn WearModel> =
            if exact == tests.len() { Box::new(fit_ols(tests)?) } else { Box::new(fit_tobit(tests, None)?) };
        return Ok(FittedWear { model, assumption: None });
    }
    let Some(prior) = prior else {
        return Err(NoEstimate::TooFew { what: "exact head tests", needed: LEAST_TESTS, got: exact });
    };
    let assumption = Some((prior.basis, prior.note.clone()));
    Ok(FittedWear { model: Box::new(update(prior, tests)?), assumption })
}

impl FittedWear {
    /// What the model says about a limit in mm at a use, and along the path from there.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange` for a bad use or limit.
    pub fn answer(&self, path: &UsePath, at: UsePoint, limit_mm: f64) -> Result<WearAnswer, NoEstimate> {
        let model = self.model.as_ref();
        let there = model.distribution(at.checked()?)?;
        let ln_limit = positive("the limit in mm", limit_mm)?.ln();
        Ok(WearAnswer {
            head: model.forecast_from(&there, at, HEAD_LEVEL)?,
            p_at_least: finite("the probability", there.p_true(ln_limit))?,
            p_next_at_least: finite("the probability", there.p_next(ln_limit))?,
            life: model.life(path, limit_mm, LIFE_LEVEL),
            assumption: self.assumption.clone(),
        })
    }
}

/// Forecasts the head along a path of use against a limit in mm, by [`fit_wear`].
///
/// # Errors
/// Those of [`fit_wear`] and [`FittedWear::answer`].
pub fn forecast(
    tests: &[HeadTest],
    prior: Option<&Prior>,
    path: &UsePath,
    at: UsePoint,
    limit_mm: f64,
) -> Result<WearAnswer, NoEstimate> {
    fit_wear(tests, prior)?.answer(path, at, limit_mm)
}
