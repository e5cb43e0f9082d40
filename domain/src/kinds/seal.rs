//! Seals. A loadout is sealed while a seal of it exists that is neither voided nor superseded.

use super::{Dirty, Hooks, Kind, Nature, Ref, loadout, reference_id};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::problem::FieldError;
use crate::wire::seal::{MAX_SEAL_BYTES, MAX_SEALED_ENTRIES, MassWithU, SealBody};
use crate::wire::shape::{self, Object};

/// The kind.
pub const KIND: Kind = Kind {
    name: "seal",
    table: "seals",
    nature: Nature::Fact,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[Ref::to("loadout_id", "loadout"), Ref::to("supersedes_id", "seal")],
    least_role: Role::Member,
    max_bytes: MAX_SEAL_BYTES,
    normalise: shape::normalise::<SealBody>,
    validate,
    dirties,
    hooks: Hooks { owner: Some(loadout::owner_of), marked: true, ..Hooks::NONE },
};

fn validate(body: &Object, _: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    let Ok(seal) = shape::read::<SealBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    let mut wrong =
        |pointer: String, code: &str, words: &str| errors.push(FieldError::new(pointer, code, words));
    let snapshot = &seal.snapshot;
    if snapshot.entries.len() > MAX_SEALED_ENTRIES {
        wrong("/snapshot/entries".into(), "too-many", "at most 120 entries");
    }
    let sound = |mass: &MassWithU| {
        (0.0..=1e6).contains(&mass.value_g) && mass.u_g.is_none_or(|u| (0.0..=1e6).contains(&u))
    };
    let carried = &snapshot.carried;
    let masses = [
        ("/snapshot/carried/start_g", Some(&carried.start_g)),
        ("/snapshot/carried/mean_g", carried.mean_g.as_ref()),
        ("/snapshot/carried/max_g", Some(&carried.max_g)),
        ("/snapshot/carried/finish_g", carried.finish_g.as_ref()),
        ("/snapshot/total_start_g", Some(&snapshot.total_start_g)),
    ];
    for (pointer, mass) in masses {
        if mass.is_some_and(|mass| !sound(mass)) {
            wrong(pointer.into(), "out-of-range", "a mass and its uncertainty are from 0 to 1000000 g");
        }
    }
    for (at, entry) in snapshot.entries.iter().enumerate() {
        let pointer = |field: &str| format!("/snapshot/entries/{at}/{field}");
        if !(1..=10_000).contains(&entry.quantity) {
            wrong(pointer("quantity"), "out-of-range", "must be from 1 to 10000 whole units");
        }
        for (field, number) in [
            ("unit_mass_g", entry.unit_mass_g),
            ("unit_mass_u_g", entry.unit_mass_u_g),
            ("fill_ml", entry.fill_ml),
        ] {
            if number.is_some_and(|number| !(0.0..=1e6).contains(&number)) {
                wrong(pointer(field), "out-of-range", "must be from 0 to 1000000");
            }
        }
    }
    errors
}

fn dirties(record: &Stored, lookup: &dyn Lookup) -> Vec<Dirty> {
    let superseded = reference_id(&record.body, "supersedes_id").and_then(|id| lookup.get(KIND.name, id));
    let bodies = [Some(record), superseded].into_iter().flatten().map(|record| &record.body);
    bodies.filter_map(|body| reference_id(body, "loadout_id")).map(Dirty::Loadout).collect()
}
