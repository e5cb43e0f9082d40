//! A pocket of a race vest, or the space of a bag.

use serde::{Deserialize, Serialize};

use super::item::Reach;
use super::text::{Name, Note};
use crate::ids::ItemId;
use crate::units::{MassMg, Millilitres};

/// On which side of the vest a pocket is. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The wearer's left.
    Left,
    /// The wearer's right.
    Right,
    /// In the middle, or across.
    Centre,
}

/// What is stored of a pocket.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct PocketBody {
    /// The vest or bag that it belongs to.
    pub item_id: ItemId,
    /// What its owner calls it.
    pub name: Name,
    /// What it holds, with what is in it pressed; not known when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub volume_ml: Option<Millilitres>,
    /// The most mass that it carries well; no limit when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mass_cap_g: Option<MassMg>,
    /// What it takes to get at what is in it.
    pub reach: Reach,
    /// Whether it keeps rain out; not known when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub waterproof: Option<bool>,
    /// On which side it is.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub side: Option<Side>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub notes: Option<Note>,
}
