//! A race's mandatory kit as a record.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::text::{Mark, Name, Note};
#[cfg(feature = "openapi")]
use crate::rules::flat::FlatRule;
use crate::rules::model::{Rule, RuleSheet};
use crate::time::Timestamp;

/// Where a record was copied from: a club's rule sheet or race is copied into the runner's own kitroom.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CopiedFrom {
    /// The kitroom.
    pub kitroom_id: Uuid,
    /// The record there.
    pub id: Uuid,
    /// Its version when it was copied.
    pub version: i64,
    /// When it was copied.
    pub at: Timestamp,
}

/// What is stored of a rule sheet.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct RuleSheetBody {
    /// The race's or the organiser's name for it.
    pub name: Name,
    /// Which edition, such as a year.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edition: Option<Mark>,
    /// In the organiser's order, which also settles ties.
    #[cfg_attr(feature = "openapi", schema(value_type = Vec<FlatRule>, max_items = 200))]
    pub rules: Vec<Rule>,
    /// The record that it was copied from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub copied_from: Option<CopiedFrom>,
    /// Where the organiser publishes it, and anything else worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
}

impl RuleSheetBody {
    /// The sheet as the rules read it.
    #[must_use]
    pub fn sheet(&self) -> RuleSheet {
        RuleSheet {
            name: self.name.as_str().to_owned(),
            edition: self.edition.as_ref().map(|edition| edition.as_str().to_owned()).unwrap_or_default(),
            rules: self.rules.clone(),
        }
    }
}
