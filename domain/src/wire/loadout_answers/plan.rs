//! What a race's course asks of light, water, food and load.

use serde::{Deserialize, Serialize};

use super::finding::LoadoutFinding;
use crate::ids::{ItemId, RaceId};
use crate::rules::Evidence;
use crate::time::Timestamp;

/// A central value and the range in which it may well lie.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct NumberRange {
    /// Low end.
    pub low: f64,
    /// In between.
    pub central: f64,
    /// High end.
    pub high: f64,
}

/// A stretch of darkness.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct DarkSpell {
    /// Its begin, or the start.
    pub from: Timestamp,
    /// Its end, or the finish.
    pub to: Timestamp,
}

/// Dark hours along the course. Trees, valleys and weather are not in them: half an hour more at each end of each
/// spell is common practice.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct DarkHours {
    /// Hours with the sun down (its centre below -0.8333 degrees).
    pub sun_down: f64,
    /// Hours in which a lamp is needed in the open (below -6 degrees, the end of civil twilight).
    pub civil: f64,
    /// How far `civil` may be off through the equations alone, in hours; the runner's own pace matters more.
    pub civil_bound: f64,
    /// The spells behind `civil`.
    pub spells: Vec<DarkSpell>,
    /// What was assumed for want of positions or times.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub assumed: Option<String>,
}

/// A lamp or cells that give light.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LightSource {
    /// The item.
    pub item_id: ItemId,
    /// Its name.
    pub name: String,
    /// Whole units.
    pub quantity: u32,
    /// Whether it is a spare cell rather than a lamp.
    pub spare_cell: bool,
    /// Burn time of one unit in hours, as tested or labelled; null when not known.
    pub burn_h: Option<f64>,
    /// The same with the cold taken off, at the planned temperature.
    pub cold_burn_h: Option<f64>,
    /// What the burn time rests on.
    pub evidence: Evidence,
    /// What else to know: an output of a tenth, a cell that fits no lamp.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// Light against the dark hours.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LampPlan {
    /// Dark hours to light, with the margin, in hours; null when the dark hours are not known.
    pub needed_h: Option<f64>,
    /// The margin, as a share.
    pub margin: f64,
    /// The temperature of the cells that was planned with, in degrees Celsius.
    pub cell_c: f64,
    /// Burn hours of all lamps and of the cells that fit one, as tested or labelled.
    pub burn_h: f64,
    /// The same with the cold taken off: what to plan with.
    pub cold_burn_h: f64,
    /// How many times a cell is changed, with the first lamp's cold burn time; null when that or the dark is not known.
    pub swaps: Option<u32>,
    /// Hours that are missing in the cold; 0 when there is enough, null when it is not known.
    pub short_h: Option<f64>,
    /// The sources.
    pub sources: Vec<LightSource>,
    /// In words.
    pub text: String,
}

/// Water on one leg.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct WaterLeg {
    /// The leg, from 1.
    pub leg: u32,
    /// Where it ends.
    pub name: String,
    /// Its expected hours.
    pub hours: f64,
    /// Water on leaving, in millilitres.
    pub leaving_ml: f64,
    /// What is left on arrival, in millilitres, before anything is refilled.
    pub left_ml: f64,
    /// Of that, in vessels kept in reserve.
    pub reserve_ml: f64,
    /// Hours without water to drink.
    pub dry_h: f64,
}

/// Water over the course.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct WaterPlan {
    /// What is drunk each hour.
    pub drink_ml_per_h: Option<f64>,
    /// Leg by leg; empty without timed legs or without a rate.
    pub legs: Vec<WaterLeg>,
    /// Published intake beside the rate, no advice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<String>,
    /// Why there is nothing to show.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_absent: Option<String>,
}

/// Food on one leg.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct FoodLeg {
    /// The leg, from 1.
    pub leg: u32,
    /// Where it ends.
    pub name: String,
    /// Its expected hours.
    pub hours: f64,
    /// Energy of the food on leaving, in kilocalories.
    pub leaving_kcal: f64,
    /// What is left on arrival.
    pub left_kcal: f64,
    /// Of that, kept in reserve.
    pub reserve_kcal: f64,
    /// Hours without food to eat.
    pub empty_h: f64,
}

/// Food over the course.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct FoodPlan {
    /// What is eaten each hour.
    pub eat_kcal_per_h: Option<f64>,
    /// Leg by leg; empty without timed legs or without a rate.
    pub legs: Vec<FoodLeg>,
    /// Published intake beside the rate, no advice.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub band: Option<String>,
    /// Why there is nothing to show.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_absent: Option<String>,
}

/// What 100 g more costs on the course, as ranges.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct CostOf100g {
    /// Energy, in kilocalories.
    pub kcal: NumberRange,
    /// Share of the course's energy, in per cent; absent without the runner's body mass.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub percent: Option<NumberRange>,
    /// Time at an unchanged effort, in whole minutes; absent without the runner's body mass or an expected time.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub minutes: Option<String>,
    /// What is missing for the rest.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_absent: Option<String>,
    /// What must stand beside every figure of it.
    pub caveat: String,
}

/// A race's plan, with a loadout or without.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct RacePlan {
    /// The race.
    pub race_id: RaceId,
    /// When it starts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub starts_at: Option<Timestamp>,
    /// When the runner expects to finish.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub finish_at: Option<Timestamp>,
    /// How long that takes.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub expected_h: Option<f64>,
    /// Dark hours; null when they are not known.
    pub dark_h: Option<DarkHours>,
    /// Why the dark hours are null.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_no_dark_h: Option<String>,
    /// Light; null without a loadout.
    pub lamp: Option<LampPlan>,
    /// Water; null without a loadout.
    pub water: Option<WaterPlan>,
    /// Food; null without a loadout.
    pub food: Option<FoodPlan>,
    /// What 100 g more costs; null when the course's climbs are not known.
    pub cost_of_100_g: Option<CostOf100g>,
    /// Why that is null.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_no_cost: Option<String>,
    /// What to be told about.
    pub findings: Vec<LoadoutFinding>,
    /// What must stand beside a plan.
    pub caution: String,
}
