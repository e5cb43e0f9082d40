//! The question of the lightest set.

use serde::{Deserialize, Serialize};

use crate::ids::{ItemId, KitroomId};

/// The most kitrooms besides the loadout's own that may be looked at.
pub const MAX_CANDIDATE_KITROOMS: usize = 10;
/// How long the search may take, in seconds, when nobody says.
pub const TIME_LIMIT_S: u32 = 5;
/// The longest that it may take.
pub const MAX_TIME_LIMIT_S: u32 = 30;

/// What is asked for besides the loadout.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct FindLightestSet {
    /// The vest whose pockets hold the set; the loadout's own when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub vest_item_id: Option<ItemId>,
    /// Other kitrooms whose items may be taken, such as the club's; each must be open to whoever asks.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_items = 10))]
    pub candidate_kitroom_ids: Option<Vec<KitroomId>>,
    /// Whether what no rule asks for keeps its place, as if it were locked.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub keep_own_choice: Option<bool>,
    /// How long the search may take, in seconds; 5 when absent. What is found by then is answered as a bound.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 30))]
    pub time_limit_s: Option<u32>,
}
