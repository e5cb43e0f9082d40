//! A season: a span of days that is compared with another.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};

use super::text::{Name, Note};

/// What is stored of a season. A race belongs to it by the day of its start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct SeasonBody {
    /// What it is called.
    pub name: Name,
    /// Its first day.
    pub from_on: NaiveDate,
    /// Its last day.
    pub to_on: NaiveDate,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
}
