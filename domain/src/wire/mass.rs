//! The mass of an item as both ends show it.

use serde::{Deserialize, Serialize};

use crate::time::Timestamp;

/// What a mass rests on. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum MassBasis {
    /// Weighings.
    Measured,
    /// The label only.
    Label,
    /// Nothing: the mass is unknown, which is not zero.
    None,
}

impl MassBasis {
    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            MassBasis::Measured => "measured",
            MassBasis::Label => "label",
            MassBasis::None => "none",
        }
    }
}

/// How a scale's own error enters the uncertainty. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Calibration {
    /// From check-weight readings in each sitting.
    Checked,
    /// Without check weights in at least one sitting: twice the maximum permissible error of a class III instrument
    /// (OIML R 76) is assumed.
    Assumed,
}

/// The weighing at which a mass stopped agreeing with the newest.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassChanged {
    /// The older value, in grams.
    pub from_g: f64,
    /// When it was observed.
    pub from_at: Timestamp,
    /// The newest value, in grams.
    pub to_g: f64,
    /// Standard uncertainty of the difference, in grams.
    pub u_difference_g: f64,
}

/// A part of an uncertainty that other masses owe to the same source: it adds up linearly with theirs (JCGM 100:2008,
/// 5.2.2).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SharedMassPart {
    /// Where it comes from: `scale:ID` (the error of a scale on which no check weight was read), `step:GRAMS` (the
    /// same of a scale without a name, told by its resolution), `weight:NAME` (a check weight's known mass),
    /// `sitting:ID` (the offset found in a sitting).
    pub source: String,
    /// Standard uncertainty through it, in grams.
    pub u_g: f64,
}

/// What an uncertainty is made of: the squares of its parts add up to its own.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassParts {
    /// The item's own part, in grams.
    pub own_u_g: f64,
    /// What it shares with other items.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub shared: Vec<SharedMassPart>,
}

/// An item's mass with its uncertainty and its evidence.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ItemMass {
    /// The mass in grams (of one unit), to the milligram; absent when nothing is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<f64>,
    /// Its standard uncertainty in grams; absent when unknown, as for a label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_u_g: Option<f64>,
    /// What the uncertainty is made of, so that masses of several items add up rightly; absent where none is known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_parts: Option<MassParts>,
    /// What it rests on.
    pub mass_basis: MassBasis,
    /// How many weighings it rests on.
    pub mass_n: u32,
    /// How the scale's own error entered.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_calibration: Option<Calibration>,
    /// The Birge ratio by which the uncertainty was multiplied because the sittings scatter more than it explains.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_birge: Option<f64>,
    /// The change of mass that stopped the averaging.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_changed: Option<MassChanged>,
    /// When it was last weighed, in any condition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_weighed_at: Option<Timestamp>,
}

impl ItemMass {
    /// Of an item that nothing is known of.
    #[must_use]
    pub fn unknown() -> Self {
        Self {
            mass_g: None,
            mass_u_g: None,
            mass_parts: None,
            mass_basis: MassBasis::None,
            mass_n: 0,
            mass_calibration: None,
            mass_birge: None,
            mass_changed: None,
            last_weighed_at: None,
        }
    }
}
