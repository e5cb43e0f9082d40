//! How heavy a loadout is.

use serde::{Deserialize, Serialize};

use super::finding::LoadoutFinding;
use crate::ids::{ItemId, LoadoutId, PocketId};
use crate::time::Timestamp;
use crate::wire::item::Reach;
use crate::wire::pocket::Side;
use crate::wire::seal::MassWithU;

/// What is carried over the course: in the hand and stowed, with what is picked up on the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct CarriedMasses {
    /// At the start.
    pub start_g: MassWithU,
    /// The mean over time; null without a race whose legs all have an expected time.
    pub mean_g: Option<MassWithU>,
    /// The most; that of the start when nothing is known of the course.
    pub max_g: MassWithU,
    /// The leg at whose start the most is carried, from 1; null when nothing is known of the course.
    pub max_leg: Option<u32>,
    /// At the finish; null without a race whose legs all have an expected time.
    pub finish_g: Option<MassWithU>,
    /// Why the mean and the finish are null.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_absent: Option<String>,
    /// What was assumed of eating and drinking for want of a rate.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub assumed: Option<String>,
}

/// What is carried at the start, by how quickly it is in the hand.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ByReach {
    /// While moving.
    pub moving: MassWithU,
    /// At a stop, the vest on.
    pub at_stop: MassWithU,
    /// With the vest off.
    pub vest_off: MassWithU,
    /// Stowed without saying in which pocket.
    pub not_placed: MassWithU,
}

/// A cut across the total at the start: what gets less on the way.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ExpendableMasses {
    /// Food and water that are not kept in reserve.
    pub expendable_g: MassWithU,
    /// Of that, food, with its wrappers.
    pub food_g: MassWithU,
    /// Of that, water.
    pub water_g: MassWithU,
    /// Food and water that are kept to the finish.
    pub reserve_g: MassWithU,
}

/// Where the mass is, as a detail.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PlaceMasses {
    /// Worn at the start.
    pub on_body: MassWithU,
    /// In the hand at the start.
    pub in_hand: MassWithU,
    /// Stowed at the start.
    pub stowed: MassWithU,
    /// Waiting in drop bags; no part of the total at the start.
    pub drop_bag: MassWithU,
}

/// One pocket at the start.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PocketMass {
    /// The pocket.
    pub pocket_id: PocketId,
    /// Its name.
    pub name: String,
    /// What it takes to get at what is in it.
    pub reach: Reach,
    /// On which side it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side: Option<Side>,
    /// What is in it, containers and what is in them included.
    pub mass_g: MassWithU,
    /// The most that it carries well.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_cap_g: Option<f64>,
    /// The volume of what is in it as packed; null when that of one thing is not known.
    pub used_ml: Option<f64>,
    /// What it holds.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume_ml: Option<f64>,
}

/// What the total at the start rests on. Water is reckoned at 1 g a millilitre and belongs to neither.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MassRestsOn {
    /// Mass that was weighed; its uncertainty holds even where a label's mass keeps that of the total unknown.
    pub measured: MassWithU,
    /// Mass that only a label says, in grams.
    pub label_g: f64,
    /// Items that were weighed.
    pub measured_n: u32,
    /// Items with a label's mass only.
    pub label_n: u32,
    /// Items of unknown mass.
    pub unknown_n: u32,
}

/// How heavy a loadout is.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoadoutMass {
    /// By what was observed until then.
    pub as_of: Timestamp,
    /// In the hand and stowed, over the course.
    pub carried: CarriedMasses,
    /// On the body, in the hand and stowed, at the start.
    pub total_start_g: MassWithU,
    /// What is carried at the start, by reach.
    pub by_reach: ByReach,
    /// Of the total at the start, what rules count on; null without a rule sheet. Of a sum that is more than a rule
    /// asks for, the share that reaches the limit.
    pub demanded_g: Option<MassWithU>,
    /// The rest of the total; null without a rule sheet.
    pub own_choice_g: Option<MassWithU>,
    /// What gets less on the way: a cut across the total, no part beside the others.
    pub expendable: ExpendableMasses,
    /// By place.
    pub places: PlaceMasses,
    /// By pocket, those with something in them.
    pub pockets: Vec<PocketMass>,
    /// What the total rests on.
    pub rests_on: MassRestsOn,
    /// Items whose mass is not known: the loadout is heavier than it says.
    pub without_mass: Vec<ItemId>,
    /// What to be told about.
    pub findings: Vec<LoadoutFinding>,
}

/// How heavy a loadout is, in brief.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoadoutMassInBrief {
    /// The loadout.
    pub loadout_id: LoadoutId,
    /// In the hand and stowed, over the course.
    pub carried: CarriedMasses,
    /// On the body, in the hand and stowed, at the start.
    pub total_start_g: MassWithU,
    /// Items whose mass is not known: the loadout is heavier than it says.
    pub without_mass: Vec<ItemId>,
}
