//! What a person should be told about a loadout besides its numbers.

use serde::{Deserialize, Serialize};

use crate::ids::{ItemId, LoadoutEntryId, PocketId};

/// What is wrong or worth knowing. Open: a client shows the text of a code that it does not know.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum FindingCode {
    /// The item is deleted, or there is none: the line weighs nothing and serves no rule.
    ItemGone,
    /// More units than the stock has.
    MoreThanStock,
    /// A single thing is packed more than once.
    MoreThanOne,
    /// The item is retired or quarantined and does not count.
    NotServiceable,
    /// The item is to be watched; it counts.
    OnWatch,
    /// The item was inspected last as not to be used.
    InspectedUnusable,
    /// It expires before the finish and does not count.
    Expired,
    /// What was seen of a club's item is too old.
    SeenTooOld,
    /// The loadout's owner is no member of the item's kitroom now.
    MembershipEnded,
    /// Two items exclude each other.
    Excludes,
    /// The mass is not known: the loadout is heavier than it says.
    MassUnknown,
    /// The mass is only a label's: no uncertainty is known.
    MassFromLabel,
    /// The energy of a food is not known.
    EnergyUnknown,
    /// The vessel is filled beyond its capacity.
    Overfilled,
    /// The pocket is not there any more.
    PocketGone,
    /// The pocket belongs to a vest or a bag that is not in the loadout.
    PocketOfAnotherVest,
    /// What is in the pocket is more than it holds.
    PocketTooFull,
    /// What is in the pocket is heavier than it carries well.
    PocketTooHeavy,
    /// The entry that it is inside of is not there any more.
    ContainerGone,
    /// It must be reached faster than it can be where it is.
    ReachTooSlow,
    /// It is to be picked up from a drop bag where none waits.
    NoDropBagThere,
    /// It lies in a drop bag and is never picked up.
    NeverPickedUp,
    /// It is handed off before it is picked up.
    LegsContradict,
    /// Water is used up on a leg.
    WaterRunsOut,
    /// Food is used up on a leg.
    FoodRunsOut,
    /// The loadout has no race, or the race is not there any more.
    NoRace,
    /// The race has no rule sheet, or it is not there any more.
    NoRuleSheet,
    /// The rule sheet cannot be judged by.
    SheetInvalid,
}

/// Something to be told about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoadoutFinding {
    /// What.
    pub code: FindingCode,
    /// The entry that it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub entry_id: Option<LoadoutEntryId>,
    /// The item that it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item_id: Option<ItemId>,
    /// The pocket that it is about.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pocket_id: Option<PocketId>,
    /// The leg that it is about, from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub leg: Option<u32>,
    /// In words, with what to do about it where that is clear.
    pub text: String,
}
