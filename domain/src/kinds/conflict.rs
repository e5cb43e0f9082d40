//! Conflicts: made by the service, settled by whoever made the offer or by a keeper.

use uuid::Uuid;

use super::hooks::{Hooks, by_author};
use super::{Kind, Nature, no_dirt, no_rule};
use crate::sync::conflict::names;
use crate::sync::op::Role;
use crate::wire::conflict::ConflictBody;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "conflict",
    table: "conflicts",
    nature: Nature::Conflict,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[],
    least_role: Role::Member,
    max_bytes: 4 * MAX_RECORD_BYTES,
    normalise: shape::normalise::<ConflictBody>,
    validate: no_rule,
    dirties: no_dirt,
    hooks: Hooks { owner: Some(by_author), names: Some(named), ..Hooks::NONE },
};

/// The records that settling it looks at.
fn named(body: &Object) -> Vec<(&'static str, Uuid)> {
    shape::read::<ConflictBody>(body).map(|body| names(&body)).unwrap_or_default()
}
