//! Maximum permissible errors of weighing instruments and of weights.
//!
//! A kitchen scale is normally not verified: for it the band is a bound of plausibility, not a claim about the instrument.

use serde::{Deserialize, Serialize};

use super::resolution::{positive, positive_or_zero};
use crate::no_estimate::{NoEstimate, finite};

/// Accuracy class of a non-automatic weighing instrument.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
pub enum AccuracyClass {
    /// Special accuracy.
    I,
    /// High accuracy.
    II,
    /// Medium accuracy; that of most trade and household scales.
    III,
    /// Ordinary accuracy.
    IIII,
}

/// Which errors are permitted: at initial verification, or in service (twice as much).
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Verification {
    /// At initial verification.
    Initial,
    /// In service.
    InService,
}

/// A load counted in intervals may be off a step by rounding (0.3 / 0.1 is not 3) and still be on it.
const STEP_ROUNDING: f64 = 1.0 + 1e-9;

/// Maximum permissible error in grams (plus or minus) at a load of `mass_g` grams with verification interval `e_g` grams.
///
/// 0.5 e, 1 e and 1.5 e up to the class's two steps and its greatest number of intervals (class I has none).
/// Source: OIML R 76-1, table 6; checked against UK SI 1995/1907 schedule 2, table 3, whose web copy misprints the first
/// step of class II (5 000 e).
///
/// # Errors
/// `NotFinite` or `OutOfRange` for a bad number, a negative load, or a load beyond the class's range.
pub fn mpe_r76_g(
    mass_g: f64,
    e_g: f64,
    class: AccuracyClass,
    verification: Verification,
) -> Result<f64, NoEstimate> {
    positive_or_zero("the load in g", mass_g)?;
    positive("the verification interval in g", e_g)?;
    let (first, second, most) = match class {
        AccuracyClass::I => (50_000.0, 200_000.0, f64::INFINITY),
        AccuracyClass::II => (5_000.0, 20_000.0, 100_000.0),
        AccuracyClass::III => (500.0, 2_000.0, 10_000.0),
        AccuracyClass::IIII => (50.0, 200.0, 1_000.0),
    };
    let intervals = finite("the load in intervals", mass_g / e_g)?;
    let reaches = |step: f64| intervals <= step * STEP_ROUNDING;
    let factor = if reaches(first) {
        0.5
    } else if reaches(second) {
        1.0
    } else if reaches(most) {
        1.5
    } else {
        return Err(NoEstimate::OutOfRange {
            what: "the load in g",
            value: mass_g,
            low: 0.0,
            high: most * e_g,
        });
    };
    Ok(factor
        * e_g
        * match verification {
            Verification::Initial => 1.0,
            Verification::InService => 2.0,
        })
}

/// Nominal mass in grams and maximum permissible error in milligrams of class M1.
///
/// Source: OIML R 111-1, table 1. 100 g to 1 kg as reproduced publicly; the rest from memory.
const M1: [(f64, f64); 26] = [
    (0.001, 0.20),
    (0.002, 0.20),
    (0.005, 0.20),
    (0.010, 0.25),
    (0.020, 0.3),
    (0.050, 0.4),
    (0.100, 0.5),
    (0.200, 0.6),
    (0.500, 0.8),
    (1.0, 1.0),
    (2.0, 1.2),
    (5.0, 1.6),
    (10.0, 2.0),
    (20.0, 2.5),
    (50.0, 3.0),
    (100.0, 5.0),
    (200.0, 10.0),
    (500.0, 25.0),
    (1_000.0, 50.0),
    (2_000.0, 100.0),
    (5_000.0, 250.0),
    (10_000.0, 500.0),
    (20_000.0, 1_000.0),
    (50_000.0, 2_500.0),
    (100_000.0, 5_000.0),
    (200_000.0, 10_000.0),
];

/// Maximum permissible error in milligrams (plus or minus) of a class M1 weight of nominal mass `nominal_g` grams.
///
/// # Errors
/// `NotFinite`; `Because` for a mass that is not a nominal value (1, 2 or 5 times a power of ten, 1 mg to 200 kg).
pub fn m1_weight_mpe_mg(nominal_g: f64) -> Result<f64, NoEstimate> {
    finite("the nominal mass in g", nominal_g)?;
    M1.iter().find(|(nominal, _)| (nominal_g - nominal).abs() <= 1e-9 * nominal).map(|(_, mpe)| *mpe).ok_or(
        NoEstimate::Because(
            "class M1 has weights of 1, 2 and 5 times a power of ten from 1 mg to 200 kg only",
        ),
    )
}

/// Standard uncertainty in grams of a class M1 weight taken at its nominal mass: mpe / sqrt 3.
///
/// # Errors
/// As [`m1_weight_mpe_mg`].
pub fn m1_weight_u_g(nominal_g: f64) -> Result<f64, NoEstimate> {
    Ok(m1_weight_mpe_mg(nominal_g)? / 1_000.0 / 3f64.sqrt())
}
