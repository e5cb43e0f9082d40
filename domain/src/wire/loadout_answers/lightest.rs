//! The lightest set that meets every rule.

use serde::{Deserialize, Serialize};

use crate::ids::{ItemId, KitroomId, PocketId};
use crate::lightest::Status;
use crate::wire::loadout::CarryPlace;

/// One line of the set.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LightestEntry {
    /// The item.
    pub item_id: ItemId,
    /// Its kitroom, when it is another than the loadout's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item_kitroom_id: Option<KitroomId>,
    /// Its name.
    pub name: String,
    /// Whole units.
    pub quantity: u32,
    /// Where it travels.
    pub carry_place: CarryPlace,
    /// In which pocket.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pocket_id: Option<PocketId>,
    /// Inside which other item of the set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inside_item_id: Option<ItemId>,
    /// What a vessel is filled with, in millilitres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fill_ml: Option<f64>,
    /// Whether a rule counts on it to the finish.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub reserve: bool,
    /// Whether it lies where it stays dry because a rule counts on that.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub kept_dry: bool,
    /// Whether it was locked.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub locked: bool,
    /// The mass of the line with its water, in grams; absent when it is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<f64>,
}

/// Why an item is in the set, or what was left out and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LightestReason {
    /// The item; absent for what concerns the whole set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item_id: Option<ItemId>,
    /// The rule; absent for a lock and the like.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule_id: Option<String>,
    /// In words.
    pub text: String,
}

/// What a line of a swap does.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum SwapSide {
    /// Into the loadout.
    Take,
    /// Out of the loadout: rules counted on it, and the set meets them without it.
    Leave,
    /// It is in the loadout and no rule asks for it, or not for so many units: the runner's own choice, which is no part of
    /// the set's mass.
    OwnChoice,
}

/// How the set differs from the loadout as it is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LightestSwap {
    /// In, out, or neither.
    pub side: SwapSide,
    /// The item.
    pub item_id: ItemId,
    /// Its name.
    pub name: String,
    /// Whole units.
    pub quantity: u32,
    /// Their mass with their water, in grams; absent when it is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_g: Option<f64>,
}

/// The answer. Nothing is changed by asking.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LightestAnswer {
    /// Proven, infeasible, or a bound when the limits ran out.
    pub status: Status,
    /// The set's mass, in grams; null when no set was found.
    pub mass_g: Option<f64>,
    /// No set is lighter than this, in grams; null when none exists.
    pub lower_bound_g: Option<f64>,
    /// The set.
    pub entries: Vec<LightestEntry>,
    /// Why each thing is in it, and what was left out for want of a mass or a volume.
    pub reasons: Vec<LightestReason>,
    /// Rules that cannot be met together.
    pub blame: Vec<String>,
    /// Whether they could be without the pockets.
    pub blame_pockets: bool,
    /// Whether each of them is needed for it.
    pub blame_minimal: bool,
    /// How the set differs from the loadout as it is.
    pub swaps: Vec<LightestSwap>,
    /// What must stand beside it.
    pub caution: String,
}
