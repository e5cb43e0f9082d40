//! Items.

use super::{Dirty, Group, Hooks, Kind, Nature};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::item::{AttributeValue, ItemBody};
use crate::wire::problem::FieldError;
use crate::wire::shape::{self, Object, pointer};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "item",
    table: "items",
    nature: Nature::Mutable,
    groups: &[Group { name: "head", fields: &["head_mm", "head_basis"] }],
    maps: &["attributes"],
    write_once: &[],
    refs: &[],
    least_role: Role::Keeper,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<ItemBody>,
    validate,
    dirties,
    hooks: Hooks::NONE,
};

/// The most attributes of one item.
pub const MAX_ATTRIBUTES: usize = 64;
/// The longest text of an attribute, in characters.
pub const MAX_ATTRIBUTE_TEXT: usize = 400;

fn validate(body: &Object, stored: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    let Ok(item) = shape::read::<ItemBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    let mut wrong =
        |pointer: String, code: &str, words: &str| errors.push(FieldError::new(pointer, code, words));
    if item.head_basis.is_some() && item.head_mm.is_none() {
        wrong("/head_basis".into(), "contradiction", "says who claims a head, but there is no head_mm");
    }
    if let Some(breathability) = &item.breathability
        && !(0.0..=1_000_000.0).contains(&breathability.value)
    {
        wrong("/breathability/value".into(), "out-of-range", "must be from 0 to 1000000");
    }
    if item.also_serves.as_ref().is_some_and(|kinds| kinds.len() > 10) {
        wrong("/also_serves".into(), "too-many", "at most 10 kinds");
    }
    if let Some(others) = &item.conflicts_with {
        if others.len() > 50 {
            wrong("/conflicts_with".into(), "too-many", "at most 50 items");
        }
        if stored.is_some_and(|stored| others.iter().any(|other| other.uuid() == stored.id)) {
            wrong("/conflicts_with".into(), "contradiction", "an item cannot exclude itself");
        }
    }
    let attributes = item.attributes.unwrap_or_default();
    if attributes.len() > MAX_ATTRIBUTES {
        wrong("/attributes".into(), "too-many", "at most 64 attributes");
    }
    for (name, value) in &attributes {
        let at = pointer(&["attributes", name]);
        let well_named = name.len() <= 60
            && name.starts_with(|c: char| c.is_ascii_lowercase())
            && name.chars().all(|c| c.is_ascii_lowercase() || c.is_ascii_digit() || c == '_');
        if !well_named {
            let words = "an attribute's name is 1 to 60 of a-z, 0-9 and _, beginning with a letter";
            wrong(at.clone(), "invalid", words);
        }
        match value {
            AttributeValue::Text(text) if text.chars().count() > MAX_ATTRIBUTE_TEXT => {
                wrong(at, "too-long", "at most 400 characters");
            }
            AttributeValue::Text(text) if text.chars().any(|c| c.is_control() && c != '\n' && c != '\t') => {
                wrong(at, "invalid", "holds a control character");
            }
            AttributeValue::Number(number) if !(-1e9..=1e9).contains(number) => {
                wrong(at, "out-of-range", "must be from -1e9 to 1e9");
            }
            _ => {}
        }
    }
    errors
}

// The stored mass falls back on the label, and whether "empty" matters hangs on the kind; an item has a state from its
// first moment on, and whether it has a stock hangs on `per_unit`.
fn dirties(record: &Stored, _: &dyn Lookup) -> Vec<Dirty> {
    vec![Dirty::Item(record.id), Dirty::State(record.id), Dirty::Stock(record.id)]
}
