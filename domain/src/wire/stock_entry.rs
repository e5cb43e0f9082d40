//! A movement of a stock of like units (gels, plasters).

use serde::{Deserialize, Serialize};

use super::text::Note;
use crate::ids::{ItemId, LoadoutId, StockEntryId};
use crate::time::Timestamp;

/// Why a stock moved. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum StockReason {
    /// Came in; `change` is above zero.
    Bought,
    /// Counted: `change` is the number that is there, and sets it as of then.
    Counted,
    /// Eaten or drunk; `change` is below zero.
    Eaten,
    /// Used up otherwise; `change` is below zero.
    Used,
    /// Thrown away because it had expired; `change` is below zero.
    Expired,
    /// Lost; `change` is below zero.
    Lost,
}

impl StockReason {
    /// All reasons.
    pub const ALL: [StockReason; 6] = [
        StockReason::Bought,
        StockReason::Counted,
        StockReason::Eaten,
        StockReason::Used,
        StockReason::Expired,
        StockReason::Lost,
    ];

    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            StockReason::Bought => "bought",
            StockReason::Counted => "counted",
            StockReason::Eaten => "eaten",
            StockReason::Used => "used",
            StockReason::Expired => "expired",
            StockReason::Lost => "lost",
        }
    }
}

/// The greatest number of units in one entry.
pub const MAX_UNITS: i64 = 100_000;

/// What is stored of a stock entry.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct StockEntryBody {
    /// The item, a kind of like units (`per_unit`).
    pub item_id: ItemId,
    /// By how many whole units the stock moves; for `counted`, how many there are.
    #[cfg_attr(feature = "openapi", schema(minimum = -100_000, maximum = 100_000))]
    pub change: i64,
    /// Why.
    pub reason: StockReason,
    /// When: the person's claim.
    pub observed_at: Timestamp,
    /// The loadout that it was carried in.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub loadout_id: Option<LoadoutId>,
    /// The entry that this one replaces.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supersedes_id: Option<StockEntryId>,
    /// Anything worth knowing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Note>,
}
