//! Sittings.

use super::{Hooks, Kind, Nature, Ref, no_dirt, no_rule};
use crate::sync::op::Role;
use crate::wire::shape;
use crate::wire::sitting::SittingBody;
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "sitting",
    table: "sittings",
    nature: Nature::Mutable,
    groups: &[],
    maps: &[],
    write_once: &["scale_id"],
    refs: &[Ref::to("scale_id", "scale")],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<SittingBody>,
    validate: no_rule,
    dirties: no_dirt,
    hooks: Hooks::NONE,
};
