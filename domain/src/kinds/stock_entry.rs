//! Stock entries: each makes the stock of its item stale.

use super::{Dirty, Hooks, Kind, Nature, Ref, reference_id};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::item::ItemBody;
use crate::wire::problem::FieldError;
use crate::wire::shape::{self, Object};
use crate::wire::stock_entry::{MAX_UNITS, StockEntryBody, StockReason};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "stock_entry",
    table: "stock_entries",
    nature: Nature::Fact,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[
        Ref::to("item_id", "item"),
        Ref::to("loadout_id", "loadout"),
        Ref::to("supersedes_id", "stock_entry"),
    ],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<StockEntryBody>,
    validate,
    dirties,
    hooks: Hooks::NONE,
};

fn validate(body: &Object, _: Option<&Stored>, lookup: &dyn Lookup) -> Vec<FieldError> {
    let Ok(entry) = shape::read::<StockEntryBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    if entry.change.abs() > MAX_UNITS {
        let words = format!("at most {MAX_UNITS} units at a time");
        errors.push(FieldError::new("/change", "out-of-range", words));
    }
    let wrong = match entry.reason {
        StockReason::Bought if entry.change <= 0 => Some("what was bought is above 0"),
        StockReason::Counted if entry.change < 0 => Some("a count is 0 or more"),
        StockReason::Bought | StockReason::Counted => None,
        _ if entry.change >= 0 => Some("what goes out of stock is below 0"),
        _ => None,
    };
    if let Some(words) = wrong {
        errors.push(FieldError::new("/change", "contradiction", words));
    }
    let item = lookup.get("item", entry.item_id.uuid());
    if item
        .is_some_and(|item| shape::read::<ItemBody>(&item.body).is_ok_and(|item| item.per_unit != Some(true)))
    {
        let words = "the item is one thing; only a kind of like units (per_unit) has a stock";
        errors.push(FieldError::new("/item_id", "contradiction", words));
    }
    errors
}

fn dirties(record: &Stored, _: &dyn Lookup) -> Vec<Dirty> {
    reference_id(&record.body, "item_id").map(Dirty::Stock).into_iter().collect()
}
