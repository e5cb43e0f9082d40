//! Seasons.

use super::{Group, Hooks, Kind, Nature, no_dirt};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::problem::FieldError;
use crate::wire::season::SeasonBody;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "season",
    table: "seasons",
    nature: Nature::Mutable,
    groups: &[Group { name: "days", fields: &["from_on", "to_on"] }],
    maps: &[],
    write_once: &[],
    refs: &[],
    least_role: Role::Keeper,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<SeasonBody>,
    validate,
    dirties: no_dirt,
    hooks: Hooks::NONE,
};

fn validate(body: &Object, _: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    let Ok(season) = shape::read::<SeasonBody>(body) else { return Vec::new() };
    if season.to_on < season.from_on {
        let words = format!("the season ends on {} before it begins on {}", season.to_on, season.from_on);
        return vec![FieldError::new("/to_on", "contradiction", words)];
    }
    Vec::new()
}
