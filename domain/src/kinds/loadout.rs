//! Loadouts.

use uuid::Uuid;

use super::hooks::by_author;
use super::{Dirty, Hooks, Kind, Nature, Ref, no_rule, reference_id};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::loadout::LoadoutBody;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "loadout",
    table: "loadouts",
    nature: Nature::Mutable,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[Ref::to("race_id", "race")],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<LoadoutBody>,
    validate: no_rule,
    dirties,
    hooks: Hooks { owner: Some(by_author), ..Hooks::NONE },
};

/// Whoever made the loadout that a body names owns what belongs to it; of one that is not there, nobody.
pub(super) fn owner_of(body: &Object, stored: Option<&Stored>, lookup: &dyn Lookup) -> Option<Uuid> {
    let loadout = reference_id(stored.map_or(body, |stored| &stored.body), "loadout_id")?;
    Some(lookup.get(KIND.name, loadout)?.created_by)
}

// A loadout has a state from its first moment on.
fn dirties(record: &Stored, _: &dyn Lookup) -> Vec<Dirty> {
    vec![Dirty::Loadout(record.id)]
}
