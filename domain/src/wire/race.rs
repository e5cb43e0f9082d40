//! A race: when, where along, and by which rules.

use serde::{Deserialize, Serialize};

use super::rule_sheet::CopiedFrom;
use super::text::{Mark, Name, Note};
use crate::ids::RuleSheetId;
use crate::time::Timestamp;
use crate::units::{Hours, Kilometres, Metres};

/// The most legs of a race.
pub const MAX_LEGS: usize = 100;
/// The age of a club's item as last seen above which it is not shown, in days, when the race does not say.
pub const SEEN_MAX_AGE_D: u32 = 14;

/// A place on the earth.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// Latitude, degrees north (WGS 84).
    #[cfg_attr(feature = "openapi", schema(minimum = -90, maximum = 90))]
    pub lat: f64,
    /// Longitude, degrees east.
    #[cfg_attr(feature = "openapi", schema(minimum = -180, maximum = 180))]
    pub lon: f64,
}

/// What is to be had at the end of a leg.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Refill {
    /// Water: vessels are filled again.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub water: bool,
    /// Food: eaten there; it fills nothing up.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub food: bool,
    /// The drop bag.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub drop_bag: bool,
}

/// From one checkpoint to the next.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Leg {
    /// Where it ends, as the course calls it.
    pub name: Name,
    /// Its length along the ground; above zero.
    pub distance_km: Kilometres,
    /// How far it goes up.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub climb_m: Option<Metres>,
    /// How far it goes down.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub descent_m: Option<Metres>,
    /// Where it starts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub from: Option<Position>,
    /// Where it ends.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub to: Option<Position>,
    /// How long the runner expects to take, stops included; above zero.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_h: Option<Hours>,
    /// What is to be had at its end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub refill: Option<Refill>,
}

/// What is stored of a race.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct RaceBody {
    /// What it is called.
    pub name: Name,
    /// When it starts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub starts_at: Option<Timestamp>,
    /// The time zone of its days and its clock, as the IANA database names it; UTC when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub time_zone: Option<Mark>,
    /// How long the runner expects to take; with legs that all say it, their sum goes before this.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_h: Option<Hours>,
    /// Days of a stage race.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 100))]
    pub days: Option<u32>,
    /// Its mandatory kit.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub rule_sheet_id: Option<RuleSheetId>,
    /// The conditional sets that the organiser has switched on (`hot`, `cold`, `bad_weather`, own names).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_items = 20))]
    pub active_sets: Option<Vec<Mark>>,
    /// After how many days what was seen of a club's item no longer counts; 14 when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 0, maximum = 3650))]
    pub seen_max_age_d: Option<u32>,
    /// The course, checkpoint by checkpoint.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_items = 100))]
    pub legs: Option<Vec<Leg>>,
    /// The record that it was copied from.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub copied_from: Option<CopiedFrom>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
}
