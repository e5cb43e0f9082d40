//! A loadout: what one runner takes to one race; and its lines.

use serde::{Deserialize, Serialize};

use super::item::ItemBody;
use super::log_entry::ItemState;
use super::mass::ItemMass;
use super::text::{Name, Note};
use crate::ids::{ItemId, KitroomId, LoadoutEntryId, LoadoutId, PocketId, RaceId};
use crate::rules::Evidence;
use crate::time::Timestamp;
use crate::units::{Kilocalories, Millilitres};

/// The most entries of a loadout.
pub const MAX_ENTRIES: usize = 120;

/// What is stored of a loadout.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct LoadoutBody {
    /// The race that it is for.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub race_id: Option<RaceId>,
    /// What it is called.
    pub name: Name,
    /// How much is eaten on the way, each hour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub eat_kcal_per_h: Option<Kilocalories>,
    /// How much is drunk on the way, each hour.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub drink_ml_per_h: Option<Millilitres>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
}

/// Whether a loadout may still change. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum LoadoutState {
    /// It may.
    Draft,
    /// Fixed on race day: a fact.
    Sealed,
}

/// Where an entry travels. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum CarryPlace {
    /// Worn.
    OnBody,
    /// In the hand.
    InHand,
    /// In a pocket.
    Stowed,
    /// In a drop bag until its pick-up leg.
    DropBag,
}

impl CarryPlace {
    /// All places.
    pub const ALL: [CarryPlace; 4] =
        [CarryPlace::OnBody, CarryPlace::InHand, CarryPlace::Stowed, CarryPlace::DropBag];

    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            CarryPlace::OnBody => "on_body",
            CarryPlace::InHand => "in_hand",
            CarryPlace::Stowed => "stowed",
            CarryPlace::DropBag => "drop_bag",
        }
    }
}

/// A head as it is known on a day: measured, or predicted from measurements.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SeenHead {
    /// The median, in millimetres of water.
    pub median_mm: f64,
    /// The lower end of its 95 % interval.
    pub low_mm: f64,
    /// The upper end; absent when tests only show that it is at least the lower one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high_mm: Option<f64>,
    /// What it rests on: `measured`, `predicted`, or `label` where the tests add little to a claim.
    #[serde(default = "predicted")]
    pub evidence: Evidence,
    /// How many tests it rests on.
    pub n: u32,
    /// When the newest of them was made.
    pub tested_at: Timestamp,
}

fn predicted() -> Evidence {
    Evidence::Predicted
}

/// A lamp's burn time by discharge tests.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SeenBurn {
    /// In hours.
    pub burn_h: f64,
    /// The lower end of its interval.
    pub low_h: f64,
    /// The upper end.
    pub high_h: f64,
    /// When the newest test was made.
    pub tested_at: Timestamp,
}

/// What was seen of a club's item when its entry was written or last looked after: masses and verdicts of a loadout
/// read only this of another kitroom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct SeenItem {
    /// The item's fields.
    pub item: ItemBody,
    /// Its mass.
    pub mass: ItemMass,
    /// Whether it could be used.
    pub state: ItemState,
    /// How many units were there, for a kind of like units.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stock: Option<i64>,
    /// Its head.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub head: Option<SeenHead>,
    /// A lamp's burn time by tests.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub burn: Option<SeenBurn>,
    /// Whether the seal of its pack was opened, as far as its log says.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub opened: Option<bool>,
    /// When somebody last examined it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub checked_at: Option<Timestamp>,
    /// When.
    pub seen_at: Timestamp,
}

/// What is stored of one line of a loadout.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct LoadoutEntryBody {
    /// The loadout. Cannot be changed later.
    pub loadout_id: LoadoutId,
    /// The item.
    pub item_id: ItemId,
    /// The item's kitroom, when it is another than the loadout's.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item_kitroom_id: Option<KitroomId>,
    /// How many whole units; 1 when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 10_000))]
    pub quantity: Option<u32>,
    /// Where it travels.
    pub carry_place: CarryPlace,
    /// In which pocket.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub pocket_id: Option<PocketId>,
    /// Inside which other entry (a dry bag).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub inside_entry_id: Option<LoadoutEntryId>,
    /// How much a vessel is filled with at the start and at each refill; 1 g per ml.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fill_ml: Option<Millilitres>,
    /// Kept to the finish: not eaten, not drunk.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reserve: Option<bool>,
    /// Not to be left out or swapped by the lightest set.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub locked: Option<bool>,
    /// The first leg on which it is carried, from 1: a pick-up from a drop bag. From the start when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 100))]
    pub from_leg: Option<u32>,
    /// The last leg on which it is carried. To the finish when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 100))]
    pub to_leg: Option<u32>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
    /// What was seen of a club's item.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seen: Option<SeenItem>,
}

impl LoadoutEntryBody {
    /// How many whole units.
    #[must_use]
    pub fn units(&self) -> u32 {
        self.quantity.unwrap_or(1)
    }
}
