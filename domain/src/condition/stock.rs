//! How many units of a kind of like units are left.

use std::collections::HashSet;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::sync::record::Stored;
use crate::time::Timestamp;
use crate::wire::shape;
use crate::wire::stock_entry::{StockEntryBody, StockReason};

/// A stock entry as it counts.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Movement {
    /// The entry.
    pub id: Uuid,
    /// Whole units, signed; for a count, how many there are.
    pub change: i64,
    /// Why.
    pub reason: StockReason,
    /// When.
    pub observed_at: Timestamp,
    /// The entry that it replaces.
    pub supersedes: Option<Uuid>,
    /// Whether it counts by itself: neither voided nor of a suspect time.
    pub usable: bool,
}

impl Movement {
    /// From a stored stock entry.
    #[must_use]
    pub fn of(record: &Stored) -> Option<Self> {
        let body = shape::read::<StockEntryBody>(&record.body).ok()?;
        Some(Self {
            id: record.id,
            change: body.change,
            reason: body.reason,
            observed_at: body.observed_at,
            supersedes: body.supersedes_id.map(Uuid::from),
            usable: record.is_live() && !record.time_suspect,
        })
    }
}

/// How many units are left, and what that rests on.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct StockView {
    /// Whole units; absent when nothing was bought or counted yet. Below zero when more went out than is known to
    /// have come in: count again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stock: Option<i64>,
    /// When it was last counted.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub stock_counted_at: Option<Timestamp>,
}

/// What is left after these movements, as of `as_of` when one is given. A count sets the number as of its time; what
/// went out before anything was bought or counted says nothing of what is left.
#[must_use]
pub fn stock_left(movements: &[Movement], as_of: Option<Timestamp>) -> StockView {
    let superseded: HashSet<Uuid> =
        movements.iter().filter(|one| one.usable).filter_map(|one| one.supersedes).collect();
    let mut standing: Vec<&Movement> = movements
        .iter()
        .filter(|one| one.usable && !superseded.contains(&one.id))
        .filter(|one| as_of.is_none_or(|as_of| one.observed_at <= as_of))
        .collect();
    standing.sort_by_key(|one| (one.observed_at, one.id));
    let mut view = StockView::default();
    for one in standing {
        view.stock = match (one.reason, view.stock) {
            (StockReason::Counted, _) => {
                view.stock_counted_at = Some(one.observed_at);
                Some(one.change)
            }
            (StockReason::Bought, left) => Some(left.unwrap_or(0).saturating_add(one.change)),
            (_, left) => left.map(|left| left.saturating_add(one.change)),
        };
    }
    view
}

#[cfg(test)]
mod tests {
    use super::*;

    fn movement(id: u128, reason: StockReason, change: i64, at: &str) -> Movement {
        let observed_at = format!("2026-03-{at}T08:00:00Z").parse().unwrap();
        Movement { id: Uuid::from_u128(id), change, reason, observed_at, supersedes: None, usable: true }
    }

    #[test]
    fn stock_left_counts_from_the_last_count() {
        use StockReason::{Bought, Counted, Eaten, Lost};
        assert_eq!(stock_left(&[], None).stock, None);
        assert_eq!(stock_left(&[movement(1, Eaten, -2, "01")], None).stock, None);
        let all = [
            movement(3, Eaten, -4, "03"),
            movement(1, Bought, 12, "01"),
            movement(4, Counted, 7, "05"),
            movement(5, Lost, -1, "06"),
        ];
        assert_eq!(stock_left(&all, None).stock, Some(6));
        let then = "2026-03-04T00:00:00Z".parse().unwrap();
        assert_eq!(stock_left(&all, Some(then)).stock, Some(8));
        let mut corrected = all.to_vec();
        corrected.push(Movement { supersedes: Some(Uuid::from_u128(4)), ..movement(6, Counted, 5, "05") });
        assert_eq!(stock_left(&corrected, None).stock, Some(4));
    }
}
