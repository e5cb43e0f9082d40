//! What an entry keeps of a club's item.

use super::burn::burn;
use super::candidates::{checked_at, opened};
use super::facts::KnownItem;
use super::head::{When, head};
use crate::time::Timestamp;
use crate::wear_history::HeadKnown;
use crate::wire::loadout::{SeenBurn, SeenItem};

/// An item as it is seen at an instant, for the entries of a loadout of another kitroom: the log's findings in place of
/// the log.
#[must_use]
pub fn see(item: &KnownItem, seen_at: Timestamp) -> SeenItem {
    let head = head(&item.body, &item.log, When { as_of: seen_at, on: seen_at });
    let hours = |value: f64| (value * 1000.0).round() / 1000.0;
    let burn = burn(&item.log).map(|burn| SeenBurn {
        burn_h: hours(burn.burn_h),
        low_h: hours(burn.low_h),
        high_h: hours(burn.high_h),
        tested_at: burn.tested_at,
    });
    SeenItem {
        item: item.body.clone(),
        mass: item.mass.clone(),
        state: item.state,
        stock: item.stock,
        head: head.as_ref().map(HeadKnown::seen),
        burn,
        opened: Some(opened(&item.log)),
        checked_at: checked_at(&item.log),
        seen_at,
    }
}
