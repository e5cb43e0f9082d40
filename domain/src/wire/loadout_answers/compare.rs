//! Two loadouts side by side, in brief.

use serde::{Deserialize, Serialize};

use crate::ids::{ItemId, LoadoutId};
use crate::rules::Verdict;
use crate::wire::seal::MassWithU;

/// One of the two.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ComparisonSide {
    /// The loadout.
    pub loadout_id: LoadoutId,
    /// Its name.
    pub name: String,
    /// Carried at the start.
    pub carried_start_g: MassWithU,
    /// On the body, in the hand and stowed, at the start.
    pub total_start_g: MassWithU,
}

/// An item that is not the same in both.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ComparisonLine {
    /// The item.
    pub item_id: ItemId,
    /// Its name.
    pub name: String,
    /// Units in the first.
    pub from_quantity: u32,
    /// Units in the second.
    pub to_quantity: u32,
    /// What it adds to the total at the start, its water included, in grams; absent when its mass is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change_g: Option<f64>,
}

/// A rule whose verdict is not the same for both.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ComparedVerdict {
    /// The rule.
    pub rule_id: String,
    /// Its title.
    pub title: String,
    /// For the first; absent when its sheet has no such rule.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Verdict>,
    /// For the second.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Verdict>,
}

/// From one loadout to another.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoadoutComparison {
    /// The first.
    pub from: ComparisonSide,
    /// The second.
    pub to: ComparisonSide,
    /// Change of what is carried at the start; negative when the second is lighter. What both share cancels in the
    /// uncertainty.
    pub carried_change_g: MassWithU,
    /// Change of the total at the start.
    pub total_change_g: MassWithU,
    /// Items that are not the same in both, the greatest change first.
    pub lines: Vec<ComparisonLine>,
    /// Rules whose verdict is not the same.
    pub verdicts: Vec<ComparedVerdict>,
}
