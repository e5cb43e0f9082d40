//! A reading of a check weight.

use serde::{Deserialize, Serialize};

use super::text::{Mark, Name, Note};
use crate::ids::{CheckReadingId, SittingId};
use crate::time::Timestamp;
use crate::units::{MassMg, ReadingMg};

/// What is stored of a check reading.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CheckReadingBody {
    /// The sitting that it belongs to.
    pub sitting_id: SittingId,
    /// Which weight; readings of equal names share one `known_u_g`.
    pub weight_name: Name,
    /// The weight's known mass, in grams.
    pub known_g: MassMg,
    /// The standard uncertainty of the known mass, in grams.
    pub known_u_g: MassMg,
    /// What the scale showed, in grams.
    pub reading_g: ReadingMg,
    /// When it was read.
    pub observed_at: Timestamp,
    /// The reading as it was typed or sent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub raw: Option<RawReading>,
    /// The reading that this one replaces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supersedes_id: Option<CheckReadingId>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}

/// A reading as it was typed or sent, before any conversion.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct RawReading {
    /// The text.
    pub text: Name,
    /// The unit.
    pub unit: Mark,
}
