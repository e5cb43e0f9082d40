//! What every wear model answers: the head at a use, the chance to reach a limit, and the use left until it may not.

use serde::Serialize;

use super::head_test::{UsePath, UsePoint};
use super::ln_head::LnHead;
use crate::metrology::resolution::{confidence, positive};
use crate::no_estimate::{NoEstimate, finite};

/// How a wear answer was come by.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum WearMethod {
    /// Least squares on ln head, five or more exact tests.
    LeastSquares,
    /// Maximum likelihood with censored tests.
    CensoredLikelihood,
    /// A stated prior updated by the tests, in closed form.
    ConjugatePrior,
    /// A stated prior updated by the tests, integrated numerically (censored tests, or rates that cannot be negative).
    IntegratedPrior,
}

/// The head at some use.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct HeadForecast {
    /// At this use.
    pub at: UsePoint,
    /// Median head, mm.
    pub median_mm: f64,
    /// Lower end of the interval that holds the next test's head, mm.
    pub low_mm: f64,
    /// Upper end, mm.
    pub high_mm: f64,
    /// Level of that interval.
    pub level: f64,
    /// Standard deviation of ln head, of the garment.
    pub sd_ln: f64,
    /// The same for the next test, its own scatter included.
    pub sd_ln_next: f64,
    /// How it was come by.
    pub method: WearMethod,
    /// Tests it rests on.
    pub n: usize,
    /// Of those, bounds.
    pub censored: usize,
    /// Beyond twice the use that was tested.
    pub extrapolated: bool,
    /// Whether the prior says most of it (standard deviation above 0.7 of the prior's own).
    pub mostly_assumption: bool,
}

/// Use until a limit may not be reached.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct WearLife {
    /// Total hours worn at which the probability falls to the level.
    pub total_h: f64,
    /// Hours left from the path's start; 0 when it is below already.
    pub left_h: f64,
    /// One-sided level.
    pub level: f64,
    /// Whether the probability is below the level at the path's start already.
    pub already_below: bool,
    /// Beyond twice the use that was tested.
    pub extrapolated: bool,
    /// How it was come by.
    pub method: WearMethod,
    /// Tests it rests on.
    pub n: usize,
}

/// A fitted or assumed wear model. Heads are mm, logarithms natural.
pub trait WearModel {
    /// How it was come by.
    fn method(&self) -> WearMethod;
    /// Number of tests, and of those the bounds.
    fn tests(&self) -> (usize, usize);
    /// Greatest hours worn among the tests.
    fn tested_h(&self) -> f64;
    /// Farthest hours at which a crossing is looked for.
    fn horizon_h(&self) -> f64 {
        5.0 * self.tested_h()
    }
    /// Change of the central ln head by hour along a path.
    fn trend(&self, path: &UsePath) -> f64;
    /// Mean of ln head and its standard deviation, of the garment and of the next test.
    ///
    /// # Errors
    /// `NotFinite`.
    fn ln_head(&self, at: UsePoint) -> Result<(f64, f64, f64), NoEstimate>;
    /// How ln head is distributed at a use. For an integrated prior it takes some computing, once for every question about
    /// that use.
    ///
    /// # Errors
    /// `NotFinite`; `Because` where nothing can be found in numbers.
    fn distribution(&self, at: UsePoint) -> Result<LnHead, NoEstimate>;
    /// The ln head that the next test exceeds with probability `p`.
    ///
    /// # Errors
    /// Those of [`Self::distribution`].
    fn next_exceeds(&self, at: UsePoint, p: f64) -> Result<f64, NoEstimate> {
        self.distribution(at)?.next_exceeds(p)
    }
    /// The ln head that the garment's own head exceeds with probability one half.
    ///
    /// # Errors
    /// Those of [`Self::distribution`].
    fn ln_median(&self, at: UsePoint) -> Result<f64, NoEstimate> {
        self.distribution(at)?.median()
    }
    /// P(garment's ln head >= limit).
    ///
    /// # Errors
    /// Those of [`Self::distribution`].
    fn p_true(&self, at: UsePoint, ln_limit: f64) -> Result<f64, NoEstimate> {
        Ok(self.distribution(at)?.p_true(ln_limit))
    }
    /// P(next test's ln head >= limit).
    ///
    /// # Errors
    /// Those of [`Self::distribution`].
    fn p_next(&self, at: UsePoint, ln_limit: f64) -> Result<f64, NoEstimate> {
        Ok(self.distribution(at)?.p_next(ln_limit))
    }
    /// The probability that decides about hours left: of the next test for fitted models, of the garment for a prior.
    ///
    /// # Errors
    /// Those of [`Self::distribution`].
    fn p_life(&self, at: UsePoint, ln_limit: f64) -> Result<f64, NoEstimate> {
        self.p_next(at, ln_limit)
    }
    /// Whether the prior says most of the answer there.
    ///
    /// # Errors
    /// `NotFinite`.
    fn mostly_assumption(&self, _at: UsePoint) -> Result<bool, NoEstimate> {
        Ok(false)
    }

    /// Median head, its interval for the next test at a two-sided level, and what they rest on.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange` for a bad use or level.
    fn forecast(&self, at: UsePoint, level: f64) -> Result<HeadForecast, NoEstimate> {
        self.forecast_from(&self.distribution(at.checked()?)?, at, level)
    }

    /// The same from the distribution at that use.
    ///
    /// # Errors
    /// Those of [`Self::forecast`].
    fn forecast_from(&self, there: &LnHead, at: UsePoint, level: f64) -> Result<HeadForecast, NoEstimate> {
        at.checked()?;
        confidence(level)?;
        let (_, sd_ln, sd_ln_next) = there.moments();
        let head = |ln: f64| finite("the head in mm", ln.exp());
        let tail = 0.5 * (1.0 - level);
        let (n, censored) = self.tests();
        Ok(HeadForecast {
            at,
            median_mm: head(there.median()?)?,
            low_mm: head(there.next_exceeds(1.0 - tail)?)?,
            high_mm: head(there.next_exceeds(tail)?)?,
            level,
            sd_ln,
            sd_ln_next,
            method: self.method(),
            n,
            censored,
            extrapolated: at.worn_h > 2.0 * self.tested_h(),
            mostly_assumption: self.mostly_assumption(at)?,
        })
    }

    /// P(the garment's head is at least `limit_mm`) at a use.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange`.
    fn p_at_least(&self, at: UsePoint, limit_mm: f64) -> Result<f64, NoEstimate> {
        self.p_true(at.checked()?, positive("the limit in mm", limit_mm)?.ln())
    }

    /// P(the next test shows at least `limit_mm`) at a use.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange`.
    fn p_next_at_least(&self, at: UsePoint, limit_mm: f64) -> Result<f64, NoEstimate> {
        self.p_next(at.checked()?, positive("the limit in mm", limit_mm)?.ln())
    }

    /// Hours until the one-sided lower bound at `level` meets the limit (level 0.5: until the median does).
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange`; `Because` when the heads do not fall along the path, or the bound does not meet the limit
    /// within five times the use that was tested.
    fn life(&self, path: &UsePath, limit_mm: f64, level: f64) -> Result<WearLife, NoEstimate> {
        path.checked()?;
        confidence(level)?;
        let ln_limit = positive("the limit in mm", limit_mm)?.ln();
        let margin = |worn_h: f64| Ok(self.p_life(path.at(worn_h), ln_limit)? - level);
        let from = path.from.worn_h;
        let life = |total_h: f64, already_below: bool| WearLife {
            total_h,
            left_h: total_h - from,
            level,
            already_below,
            extrapolated: total_h > 2.0 * self.tested_h(),
            method: self.method(),
            n: self.tests().0,
        };
        let now = margin(from)?;
        if now < 0.0 {
            return Ok(life(from, true));
        }
        if self.trend(path) >= 0.0 {
            return Err(NoEstimate::Because("the heads do not fall with use"));
        }
        let horizon = self.horizon_h();
        let beyond = if horizon > from { margin(horizon)? } else { now };
        if beyond >= 0.0 {
            return Err(NoEstimate::Because(
                "the lower bound does not meet the limit within five times the use that was tested",
            ));
        }
        Ok(life(crossing(from, now, horizon, beyond, margin)?, false))
    }
}

/// The place where a function passes zero, between two places where its signs differ: regula falsi in the Illinois form,
/// with a bisection whenever that does not halve the bracket in three steps.
pub(crate) fn crossing(
    mut low: f64,
    mut at_low: f64,
    mut high: f64,
    mut at_high: f64,
    mut f: impl FnMut(f64) -> Result<f64, NoEstimate>,
) -> Result<f64, NoEstimate> {
    let sign = at_low >= 0.0;
    let mut bracket = high - low;
    for step in 0..200 {
        let width = high - low;
        if width.abs() <= 1e-12 * high.abs().max(low.abs()).max(1e-3) {
            break;
        }
        let falsi = (low * at_high - high * at_low) / (at_high - at_low);
        let halve = step % 3 == 2 && width > 0.5 * bracket;
        if step % 3 == 2 {
            bracket = width;
        }
        let next = if halve || !(falsi > low && falsi < high) { 0.5 * (low + high) } else { falsi };
        let at_next = finite("the margin", f(next)?)?;
        if at_next == 0.0 {
            return Ok(next);
        }
        if (at_next > 0.0) == sign {
            (low, at_low) = (next, at_next);
            at_high *= 0.5;
        } else {
            (high, at_high) = (next, at_next);
            at_low *= 0.5;
        }
    }
    Ok(0.5 * (low + high))
}
