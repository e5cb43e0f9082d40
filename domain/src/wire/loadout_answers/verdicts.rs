//! The verdicts on a loadout.

use serde::{Deserialize, Serialize};

use super::finding::LoadoutFinding;
use crate::ids::RuleSheetId;
use crate::rules::VerdictView;
use crate::time::Timestamp;

/// The sheet that was judged by.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct JudgedSheet {
    /// The record.
    pub id: RuleSheetId,
    /// What it is called.
    pub name: String,
    /// Its edition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edition: Option<String>,
    /// Its version.
    pub version: i64,
}

/// The verdict on one rule, with the rule's own words.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct RuleVerdict {
    /// A few words.
    pub title: String,
    /// The rule as the organiser wrote it, which alone counts.
    pub wording: String,
    /// The verdict.
    #[serde(flatten)]
    pub view: VerdictView,
}

/// How many rules got which verdict.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct VerdictCounts {
    /// MET.
    pub met: u32,
    /// NOT MET.
    pub not_met: u32,
    /// NOT SHOWN.
    pub not_shown: u32,
    /// NOT APPLICABLE.
    pub not_applicable: u32,
}

/// The verdicts on a loadout.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoadoutVerdicts {
    /// By what was observed until then.
    pub as_of: Timestamp,
    /// The sheet; null when there is none, and then there are no verdicts, which says nothing about the loadout.
    pub rule_sheet: Option<JudgedSheet>,
    /// In the order of the sheet.
    pub verdicts: Vec<RuleVerdict>,
    /// How many of each.
    pub counts: VerdictCounts,
    /// What to be told about the items behind them.
    pub findings: Vec<LoadoutFinding>,
    /// What must stand beside verdicts.
    pub caution: String,
}
