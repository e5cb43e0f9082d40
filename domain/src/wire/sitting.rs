//! A sitting: one session at a scale.

use serde::{Deserialize, Serialize};

use super::text::Note;
use crate::ids::ScaleId;
use crate::time::Timestamp;

/// What is stored of a sitting.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct SittingBody {
    /// The scale. Cannot be changed later.
    pub scale_id: ScaleId,
    /// When it began.
    pub started_at: Timestamp,
    /// Anything worth knowing: where, on what table.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}
