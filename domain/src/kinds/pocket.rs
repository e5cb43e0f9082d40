//! Pockets.

use super::{Hooks, Kind, Nature, Ref, no_dirt, no_rule};
use crate::sync::op::Role;
use crate::wire::pocket::PocketBody;
use crate::wire::shape;
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "pocket",
    table: "pockets",
    nature: Nature::Mutable,
    groups: &[],
    maps: &[],
    write_once: &["item_id"],
    refs: &[Ref::to("item_id", "item")],
    least_role: Role::Keeper,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<PocketBody>,
    validate: no_rule,
    dirties: no_dirt,
    hooks: Hooks::NONE,
};
