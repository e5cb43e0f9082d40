//! A sitting's gain and offset from its check weights.

use nalgebra::{Matrix2, Vector2};
use serde::Serialize;

use super::resolution::{positive, positive_or_zero};
use crate::no_estimate::{NoEstimate, finite};

/// A check weight and what the scale showed.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CheckReading {
    /// Known mass, g.
    pub known_g: f64,
    /// Its standard uncertainty, g.
    pub u_known_g: f64,
    /// Reading, g.
    pub reading_g: f64,
}

/// reading = offset + gain mass.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct GainOffset {
    /// Grams shown for a gram laid on.
    pub gain: f64,
    /// Its standard uncertainty.
    pub u_gain: f64,
    /// Reading of an empty pan, g.
    pub offset_g: f64,
    /// Its standard uncertainty, g.
    pub u_offset_g: f64,
    /// Covariance of offset and gain, g.
    pub covariance_g: f64,
    /// Number of check readings.
    pub n: usize,
    /// sqrt(chi2 / (n - 2)) of the readings about the line; `None` for two.
    pub birge: Option<f64>,
}

/// A mass with its uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct CorrectedMass {
    /// Mass, g.
    pub mass_g: f64,
    /// Standard uncertainty, g: of the reading, the gain and the offset.
    pub u_g: f64,
}

/// Gain and offset by weighted least squares of the readings on the known masses.
///
/// Each reading weighs 1 / (u_reading^2 + u_known^2); when the readings lie further from the line than that explains, the
/// uncertainties are multiplied by the Birge ratio. `u_reading_g` is the standard uncertainty of one reading.
///
/// # Errors
/// `TooFew` for fewer than two readings; `NoSpread` when all weights have one mass; `NotFinite`, `OutOfRange`; `Because`
/// when the gain is not above zero.
pub fn gain_offset(readings: &[CheckReading], u_reading_g: f64) -> Result<GainOffset, NoEstimate> {
    let n = readings.len();
    if n < 2 {
        return Err(NoEstimate::TooFew { what: "check readings", needed: 2, got: n });
    }
    positive("the reading's standard uncertainty in g", u_reading_g)?;
    for reading in readings {
        finite("a check weight's mass in g", reading.known_g)?;
        positive_or_zero("a check weight's standard uncertainty in g", reading.u_known_g)?;
        finite("a reading in g", reading.reading_g)?;
    }
    let weight = |of: &CheckReading| (u_reading_g / u_reading_g.hypot(of.u_known_g)).powi(2);
    let total: f64 = readings.iter().map(weight).sum();
    let middle = readings.iter().map(|of| weight(of) * of.known_g).sum::<f64>() / total;
    let level = readings.iter().map(|of| weight(of) * of.reading_g).sum::<f64>() / total;
    let spread: f64 = readings.iter().map(|of| weight(of) * (of.known_g - middle).powi(2)).sum();
    let scale = readings.iter().fold(0.0f64, |most, of| most.max(of.known_g.abs()));
    if spread <= 1e-20 * scale * scale * total {
        return Err(NoEstimate::NoSpread { what: "check weights" });
    }
    let gain =
        readings.iter().map(|of| weight(of) * (of.known_g - middle) * (of.reading_g - level)).sum::<f64>()
            / spread;
    finite("the gain", gain)?;
    if gain <= 0.0 {
        return Err(NoEstimate::Because("the scale shows less for a heavier check weight"));
    }
    let chi2: f64 = readings
        .iter()
        .map(|of| weight(of) * (of.reading_g - level - gain * (of.known_g - middle)).powi(2))
        .sum::<f64>()
        / (u_reading_g * u_reading_g);
    let birge = (n > 2).then(|| (chi2 / (n - 2) as f64).sqrt());
    let variance = (u_reading_g * birge.unwrap_or(1.0).max(1.0)).powi(2);
    let result = GainOffset {
        gain,
        u_gain: (variance / spread).sqrt(),
        offset_g: level - gain * middle,
        u_offset_g: (variance / total + variance / spread * middle * middle).sqrt(),
        covariance_g: -middle * variance / spread,
        n,
        birge,
    };
    for value in [result.u_gain, result.offset_g, result.u_offset_g, result.covariance_g] {
        finite("the fit", value)?;
    }
    Ok(result)
}

impl GainOffset {
    /// The mass behind a reading: (reading - offset) / gain.
    ///
    /// # Errors
    /// `NotFinite`, `OutOfRange`.
    pub fn correct(&self, reading_g: f64, u_reading_g: f64) -> Result<CorrectedMass, NoEstimate> {
        finite("the reading in g", reading_g)?;
        positive_or_zero("the reading's standard uncertainty in g", u_reading_g)?;
        let mass_g = finite("the mass in g", (reading_g - self.offset_g) / self.gain)?;
        let covariance =
            Matrix2::new(self.u_offset_g.powi(2), self.covariance_g, self.covariance_g, self.u_gain.powi(2));
        let at = Vector2::new(1.0, mass_g);
        let line = (at.transpose() * covariance * at)[(0, 0)].max(0.0);
        let u_g = finite("the uncertainty in g", u_reading_g.hypot(line.sqrt()) / self.gain)?;
        Ok(CorrectedMass { mass_g, u_g })
    }
}
