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
