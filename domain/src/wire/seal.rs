//! A seal: a loadout as it stood when it was fixed on race day, which is what a ledger compares.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::item::ItemKind;
use super::loadout::{CarryPlace, MAX_ENTRIES};
use super::mass::MassBasis;
use super::shape::Object;
use super::text::Note;
use crate::ids::{ItemId, KitroomId, LoadoutEntryId, LoadoutId, RuleSheetId, SealId};
use crate::time::Timestamp;

/// The largest seal, in bytes of its canonical JSON.
pub const MAX_SEAL_BYTES: usize = 128 * 1024;
/// The most entries of a snapshot.
pub const MAX_SEALED_ENTRIES: usize = MAX_ENTRIES;

/// A mass with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassWithU {
    /// In grams.
    pub value_g: f64,
    /// Its standard uncertainty in grams; absent when not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub u_g: Option<f64>,
}

/// What is carried: in the hand and stowed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Carried {
    /// At the start.
    pub start_g: MassWithU,
    /// The time-weighted mean; absent without a race with timed legs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mean_g: Option<MassWithU>,
    /// The most; with a course, where: see `max_leg`.
    pub max_g: MassWithU,
    /// The leg at whose start the most is carried, from 1.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_leg: Option<u32>,
    /// At the finish; absent without a race with timed legs.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finish_g: Option<MassWithU>,
    /// Why a mean or a finish is absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_absent: Option<String>,
}

/// One line as it was sealed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SealedEntry {
    /// The entry.
    pub entry_id: LoadoutEntryId,
    /// The item.
    pub item_id: ItemId,
    /// The item's kitroom, when it is another.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub item_kitroom_id: Option<KitroomId>,
    /// Its name then.
    pub name: String,
    /// Its kind.
    pub kind: ItemKind,
    /// Whole units.
    pub quantity: u32,
    /// Where it travelled.
    pub carry_place: CarryPlace,
    /// The mass of one unit, in grams; absent when it was not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit_mass_g: Option<f64>,
    /// Its standard uncertainty, in grams.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit_mass_u_g: Option<f64>,
    /// What the mass rested on.
    pub mass_basis: MassBasis,
    /// How many weighings.
    pub mass_n: u32,
    /// When it was last weighed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_weighed_at: Option<Timestamp>,
    /// What the vessel was filled with, in millilitres.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub fill_ml: Option<f64>,
    /// Kept to the finish.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub reserve: bool,
    /// Whether a rule asked for it.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub demanded: bool,
    /// What a later version of the client says besides.
    #[serde(flatten)]
    #[cfg_attr(feature = "openapi", schema(ignore))]
    pub more: Object,
}

/// The rule sheet that the verdicts were by.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SealedSheet {
    /// The record.
    pub id: RuleSheetId,
    /// Its edition.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub edition: Option<String>,
    /// Its version then.
    pub version: i64,
}

/// A verdict as it was sealed.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SealedVerdict {
    /// The rule.
    pub rule_id: String,
    /// `met`, `not_met`, `not_shown` or `not_applicable`.
    pub verdict: String,
    /// What a person reads about it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// What a later version of the client says besides.
    #[serde(flatten)]
    #[cfg_attr(feature = "openapi", schema(ignore))]
    pub more: Object,
}

/// The loadout as its runner's device saw it. Stored as given.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Snapshot {
    /// When it was taken.
    pub taken_at: Timestamp,
    /// Its lines.
    #[cfg_attr(feature = "openapi", schema(max_items = 120))]
    pub entries: Vec<SealedEntry>,
    /// What is carried.
    pub carried: Carried,
    /// All that is on the body, in the hand and stowed at the start.
    pub total_start_g: MassWithU,
    /// The rule sheet.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule_sheet: Option<SealedSheet>,
    /// The verdicts.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub verdicts: Vec<SealedVerdict>,
    /// What a later version of the client says besides.
    #[serde(flatten)]
    #[cfg_attr(feature = "openapi", schema(ignore))]
    pub more: Object,
}

/// What is stored of a seal.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct SealBody {
    /// The loadout.
    pub loadout_id: LoadoutId,
    /// When it was sealed: the person's claim; the snapshot's time when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub observed_at: Option<Timestamp>,
    /// The loadout as it stood.
    pub snapshot: Snapshot,
    /// The seal that this one replaces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supersedes_id: Option<SealId>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}

impl SealBody {
    /// When it was sealed.
    #[must_use]
    pub fn sealed_at(&self) -> Timestamp {
        self.observed_at.unwrap_or(self.snapshot.taken_at)
    }

    /// The seal's kitroom-independent key of an entry's item: two kitrooms never share an id.
    #[must_use]
    pub fn item_ids(&self) -> Vec<Uuid> {
        self.snapshot.entries.iter().map(|entry| entry.item_id.uuid()).collect()
    }
}
