//! The uncertainty budget of one reading of an electronic scale.

use serde::Serialize;

use super::gum::{Combined, Component, Dof, combine};
use super::resolution::{positive, positive_or_zero, resolution_u};
use crate::no_estimate::{NoEstimate, finite};

/// How well a scale repeats itself.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Repeatability {
    /// Standard deviation of repeated readings, g (0 when all are identical: the resolution is counted apart).
    pub sd_g: f64,
    /// Its degrees of freedom.
    pub dof: Dof,
    /// Independent replacements on the pan whose mean is the reading.
    pub lifts: u32,
}

/// How the reading depends on the place on the pan.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct Eccentricity {
    /// Greatest difference between the middle and a corner, g.
    pub greatest_g: f64,
    /// Load of that test, g.
    pub load_g: f64,
}

/// A check weight read in the sitting; it fixes the scale's gain.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CheckWeight {
    /// Its mass, g.
    pub mass_g: f64,
    /// Standard uncertainty of that mass, g (mpe / sqrt 3 for a weight of a class).
    pub u_g: f64,
    /// Number of readings of it that were averaged.
    pub readings: u32,
    /// Standard deviation of those readings, g.
    pub sd_g: f64,
}

/// What is known of a scale.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct ScaleModel {
    /// Resolution with load, g.
    pub d_g: f64,
    /// Resolution at zero or tare, g (usually the same).
    pub d0_g: f64,
    /// Repeatability.
    pub repeatability: Repeatability,
    /// Eccentricity, where tested.
    pub eccentricity: Option<Eccentricity>,
    /// Check weight, where read.
    pub check_weight: Option<CheckWeight>,
    /// Standard uncertainty from drift since the calibration, g.
    pub u_drift_g: f64,
}

/// Combined uncertainty, in grams, of an indication of `indication_g` grams.
///
/// u^2 = d0^2/12 + d^2/12 + s^2/lifts + (ecc I / (2 L sqrt 3))^2 + u_cal^2 + u_drift^2, where a check weight of mass W read
/// n times gives u_cal = (I/W) sqrt(u_W^2 + s_W^2/n + d0^2/12 + d^2/12) with n - 1 degrees of freedom for the s_W part.
/// Model in the style of EURAMET calibration guide 18 (formulas from memory).
///
/// # Errors
/// `NotFinite` or `OutOfRange` for bad numbers; `TooFew` for a check weight read fewer than two times with a spread, or
/// without lifts.
pub fn reading_uncertainty(model: &ScaleModel, indication_g: f64) -> Result<Combined, NoEstimate> {
    finite("the indication in g", indication_g)?;
    let exact = |u: f64| Component::direct(u, Dof::Infinite);
    let (u_d, u_d0) = (resolution_u(model.d_g)?, resolution_u(model.d0_g)?);
    let mut parts = vec![
        exact(u_d),
        exact(u_d0),
        exact(positive_or_zero("the drift uncertainty in g", model.u_drift_g)?),
    ];

    let repeat = model.repeatability;
    if repeat.lifts == 0 {
        return Err(NoEstimate::TooFew { what: "lifts", needed: 1, got: 0 });
    }
    let sd = positive_or_zero("the repeatability in g", repeat.sd_g)?;
    parts.push(Component::direct(sd / f64::from(repeat.lifts).sqrt(), repeat.dof));

    if let Some(ecc) = model.eccentricity {
        let relative = positive_or_zero("the eccentricity in g", ecc.greatest_g)?
            / positive("the eccentricity test's load in g", ecc.load_g)?;
        parts.push(exact(relative / (2.0 * 3f64.sqrt()) * indication_g.abs()));
    }
    if let Some(weight) = model.check_weight {
        let gain = indication_g.abs() / positive("the check weight's mass in g", weight.mass_g)?;
        let sd = positive_or_zero("the check weight's spread in g", weight.sd_g)?;
        let needed = if sd > 0.0 { 2 } else { 1 };
        if weight.readings < needed {
            return Err(NoEstimate::TooFew {
                what: "readings of the check weight",
                needed: needed as usize,
                got: weight.readings as usize,
            });
        }
        for u in [positive_or_zero("the check weight's uncertainty in g", weight.u_g)?, u_d, u_d0] {
            parts.push(Component { sensitivity: gain, u, dof: Dof::Infinite });
        }
        if sd > 0.0 {
            parts.push(Component {
                sensitivity: gain,
                u: sd / f64::from(weight.readings).sqrt(),
                dof: Dof::Finite(f64::from(weight.readings - 1)),
            });
        }
    }
    combine(&parts, &[])
}
