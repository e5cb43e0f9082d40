//! Vapour transfer. Results of two methods are never converted, ranked or tested against one threshold: vapour-pressure drop,
//! air layers, contact with liquid water and even the quantity (flux or resistance) differ.
//!
//! ASTM E96-24, 5.2.1 (public preview): a result by one method and condition does not predict another.

use std::cmp::Ordering;

use serde::{Deserialize, Serialize};

use crate::metrology::resolution::positive;
use crate::no_estimate::{NoEstimate, within};

/// A test method.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum VapourMethod {
    /// JIS L 1099 A-1, calcium chloride cup; g/(m2 24 h).
    JisA1,
    /// JIS L 1099 A-2, water cup; g/(m2 24 h).
    JisA2,
    /// JIS L 1099 B-1, inverted potassium acetate cup; g/(m2 24 h).
    JisB1,
    /// JIS L 1099 B-2, as B-1 with a film on the specimen; g/(m2 24 h).
    JisB2,
    /// ASTM E96 upright desiccant cup; g/(m2 24 h).
    AstmDesiccant,
    /// ASTM E96 upright water cup; g/(m2 24 h).
    AstmWater,
    /// ASTM E96 BW, inverted water cup; g/(m2 24 h).
    AstmInvertedWater,
    /// ISO 11092 sweating hot plate; Ret in m2 Pa/W, less is more permeable.
    Iso11092,
    /// ISO 15496; g/(m2 h Pa).
    Iso15496,
}

impl VapourMethod {
    /// Whether a smaller value lets more vapour through.
    #[must_use]
    pub fn is_resistance(self) -> bool {
        self == Self::Iso11092
    }
}

/// A result with what it depends on. Conditions that the source does not state are unknown, and unknown matches nothing.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
pub struct VapourResult {
    /// Method.
    pub method: VapourMethod,
    /// Value in the method's unit.
    pub value: f64,
    /// Air temperature, C; `None` takes the method's own.
    pub temperature_c: Option<f64>,
    /// Relative humidity of the air, per cent; `None` takes the method's own.
    pub humidity_percent: Option<f64>,
    /// Air speed, m/s; `None` takes the method's own.
    pub air_speed_m_s: Option<f64>,
}

impl VapourResult {
    /// A result under the conditions that the method prescribes.
    #[must_use]
    pub fn standard(method: VapourMethod, value: f64) -> Self {
        Self { method, value, temperature_c: None, humidity_percent: None, air_speed_m_s: None }
    }
}

/// Two results by one method under one set of conditions.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct VapourComparison {
    /// Which method.
    pub method: VapourMethod,
    /// Second value minus first, in the method's unit.
    pub difference: f64,
    /// Whether the second lets more vapour through; `None` when equal.
    pub second_more_permeable: Option<bool>,
}

/// Compares two results of one method under the same conditions.
///
/// # Errors
/// `Because` when method or conditions differ; `NotFinite`, `OutOfRange` for a value that is not above 0.
pub fn compare_vapour(first: VapourResult, second: VapourResult) -> Result<VapourComparison, NoEstimate> {
    positive("a vapour result", first.value)?;
    positive("a vapour result", second.value)?;
    let conditions = |of: VapourResult| (of.method, of.temperature_c, of.humidity_percent, of.air_speed_m_s);
    if conditions(first) != conditions(second) {
        return Err(NoEstimate::Because(
            "vapour results by different methods or conditions are not comparable",
        ));
    }
    let second_more_permeable = match second.value.total_cmp(&first.value) {
        Ordering::Equal => None,
        order => Some((order == Ordering::Greater) != first.method.is_resistance()),
    };
    Ok(VapourComparison {
        method: first.method,
        difference: second.value - first.value,
        second_more_permeable,
    })
}

/// Latent heat of vaporisation of water at 35 C, W h/g (ISO 11092; from memory).
const LATENT_HEAT_35C: f64 = 0.672;

/// Water vapour permeability Wd in g/(m2 h Pa) of an evaporative resistance Ret in m2 Pa/W, within ISO 11092 alone:
/// 1 / (Ret phi). The standard's range goes up to 700 m2 Pa/W.
///
/// # Errors
/// `NotFinite`, `OutOfRange`.
pub fn permeability_from_ret(ret: f64) -> Result<f64, NoEstimate> {
    positive("Ret in m2 Pa/W", ret)?;
    Ok(1.0 / (within("Ret in m2 Pa/W", ret, 0.0, 700.0)? * LATENT_HEAT_35C))
}
