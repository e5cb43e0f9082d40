//! A scale that readings were taken on.

use serde::{Deserialize, Serialize};

use super::text::Name;
use crate::units::MassMg;

/// What is stored of a scale.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct ScaleBody {
    /// A name that tells it from the others.
    pub name: Name,
    /// The resolution d: the step of its display, in grams. Cannot be changed later.
    pub resolution_g: MassMg,
    /// The most that it weighs, in grams. Cannot be changed later.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub capacity_g: Option<MassMg>,
}
