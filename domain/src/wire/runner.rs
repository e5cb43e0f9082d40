//! What a plan needs to know of the runner. The account's own; no member of a kitroom sees it.

use serde::{Deserialize, Serialize};

use crate::units::{BodyKilograms, GradePercent};

/// What is known of the runner.
#[derive(Debug, Clone, Copy, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Runner {
    /// Body mass without kit; a share of the energy and a time are said only with it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub body_mass_kg: Option<BodyKilograms>,
    /// The gradient above which the runner walks uphill.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub walks_above_pct: Option<GradePercent>,
}

/// What is known of the runner, as it is answered.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct RunnerView {
    /// Body mass without kit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub body_mass_kg: Option<BodyKilograms>,
    /// The gradient above which the runner walks uphill.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub walks_above_pct: Option<GradePercent>,
    /// How often it was changed.
    pub version: i64,
}

impl RunnerView {
    /// What is known, in this version.
    #[must_use]
    pub fn new(runner: Runner, version: i64) -> Self {
        let Runner { body_mass_kg, walks_above_pct } = runner;
        Self { body_mass_kg, walks_above_pct, version }
    }

    /// What is known.
    #[must_use]
    pub fn runner(&self) -> Runner {
        Runner { body_mass_kg: self.body_mass_kg, walks_above_pct: self.walks_above_pct }
    }
}
