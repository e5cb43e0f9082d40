//! Scales.

use super::{Hooks, Kind, Nature, no_dirt};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::problem::FieldError;
use crate::wire::scale::ScaleBody;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "scale",
    table: "scales",
    nature: Nature::Mutable,
    groups: &[],
    maps: &[],
    write_once: &["resolution_g", "capacity_g"],
    refs: &[],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<ScaleBody>,
    validate,
    dirties: no_dirt,
    hooks: Hooks::NONE,
};

fn validate(body: &Object, _: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    let Ok(scale) = shape::read::<ScaleBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    if scale.resolution_g.scaled() == 0 {
        errors.push(FieldError::new("/resolution_g", "out-of-range", "must be above 0 g"));
    }
    if let Some(capacity) = scale.capacity_g
        && capacity < scale.resolution_g
    {
        let words = format!("{capacity} is below the resolution of {}", scale.resolution_g);
        errors.push(FieldError::new("/capacity_g", "out-of-range", words));
    }
    errors
}
