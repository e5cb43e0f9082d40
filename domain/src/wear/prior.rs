//! What is assumed about wear before there are enough tests: judgement, labelled as such, every number open to editing.

use serde::{Deserialize, Serialize};

use crate::metrology::resolution::positive;
use crate::no_estimate::{NoEstimate, finite};

/// Standard deviation of one test's ln head about the garment's, where too few tests tell it: judgement.
pub const TEST_SIGMA: f64 = 0.10;

/// A normal distribution.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct Gaussian {
    /// Mean.
    pub mean: f64,
    /// Standard deviation.
    pub sd: f64,
}

/// Where a prior comes from.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum PriorBasis {
    /// The defaults: judgement; no published rate was found.
    Assumed,
    /// Set by the user.
    Edited,
}

/// Assumption about one garment.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct Prior {
    /// ln of the head in mm when new.
    pub ln_head_new: Gaussian,
    /// Loss of ln head by hour worn (above zero when it falls).
    pub loss_per_hour: Gaussian,
    /// Loss of ln head by wash; `None` leaves washes out.
    pub loss_per_wash: Option<Gaussian>,
    /// Standard deviation of one test's ln head about the garment's.
    pub sigma: f64,
    /// Whether the losses are known not to be negative (the normal distributions are cut off at zero).
    pub losses_not_negative: bool,
    /// Where it comes from.
    pub basis: PriorBasis,
    /// What to show beside every number that rests on it.
    pub note: String,
}

impl Prior {
    /// The default for a label: ln head about ln label with 0.15; a half-life of 300 h worn, give or take half the rate; 0.10
    /// give or take 0.07 by ten washes; tests scatter by 0.10. All judgement.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange` for a label that is not above 0 mm.
    pub fn from_label(label_mm: f64) -> Result<Self, NoEstimate> {
        Ok(Self {
            ln_head_new: Gaussian { mean: positive("the label's head in mm", label_mm)?.ln(), sd: 0.15 },
            note: "assumed: half-life 300 h worn and 10 % loss by ten washes; no published rate was found"
                .to_owned(),
            ..Self::without_label()
        })
    }

    /// The default without a label: of the head when new only that it lies within a factor of 7 of 10,000 mm (95 %), so
    /// that the first test says nearly all of it; the losses as for a label. All judgement.
    #[must_use]
    pub fn without_label() -> Self {
        let rate = std::f64::consts::LN_2 / 300.0;
        Self {
            ln_head_new: Gaussian { mean: 10_000f64.ln(), sd: 1.0 },
            loss_per_hour: Gaussian { mean: rate, sd: 0.5 * rate },
            loss_per_wash: Some(Gaussian { mean: 0.010, sd: 0.007 }),
            sigma: TEST_SIGMA,
            losses_not_negative: true,
            basis: PriorBasis::Assumed,
            note: "assumed: a head when new within a factor of 7 of 10,000 mm, a half-life of 300 h worn and 10 % loss \
                   by ten washes; no published rate was found"
                .to_owned(),
        }
    }

    pub(crate) fn checked(&self) -> Result<(), NoEstimate> {
        let parts = [Some(self.ln_head_new), Some(self.loss_per_hour), self.loss_per_wash];
        for part in parts.into_iter().flatten() {
            finite("a prior mean", part.mean)?;
            positive("a prior standard deviation", part.sd)?;
        }
        positive("the tests' standard deviation", self.sigma).map(drop)
    }
}
