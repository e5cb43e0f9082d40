//! Sittings.

use super::{Kind, Nature, Ref, no_dirt, no_rule};
use crate::sync::op::Role;
use crate::wire::shape;
use crate::wire::sitting::SittingBody;

/// The kind.
pub const KIND: Kind = Kind {
    name: "sitting",
    table: "sittings",
    nature: Nature::Mutable,
    groups: &[],
    maps: &[],
    write_once: &["scale_id"],
    refs: &[Ref { field: "scale_id", kind: "scale" }],
    least_role: Role::Member,
    normalise: shape::normalise::<SittingBody>,
    validate: no_rule,
    dirties: no_dirt,
};
