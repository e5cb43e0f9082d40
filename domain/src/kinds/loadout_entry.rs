//! The lines of loadouts. There is no uniqueness: ten gels in one pocket and two in another are two lines.

use uuid::Uuid;

use super::{Companion, Elsewhere, Freeze, Group, Hooks, Kind, Nature, Ref, loadout, no_dirt, reference_id};
use crate::condition::{SealFact, stands};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::conflict::About;
use crate::wire::loadout::{CarryPlace, LoadoutEntryBody};
use crate::wire::problem::{ErrorCode, FieldError};
use crate::wire::race::MAX_LEGS;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// An item of another kitroom, as its line names and keeps it.
const CLUB_ITEM: Elsewhere = Elsewhere { kitroom: "item_kitroom_id", seen: "seen" };

/// The kind.
pub const KIND: Kind = Kind {
    name: "loadout_entry",
    table: "loadout_entries",
    nature: Nature::Mutable,
    groups: &[
        Group { name: "place", fields: &["carry_place", "pocket_id", "inside_entry_id"] },
        Group { name: "legs", fields: &["from_leg", "to_leg"] },
    ],
    maps: &[],
    write_once: &["loadout_id"],
    refs: &[
        Ref::to("loadout_id", "loadout"),
        // An item of another kitroom is no record of this one; what was seen of it is in the entry.
        Ref { field: "item_id", kind: "item", elsewhere: Some(CLUB_ITEM) },
        Ref::to("pocket_id", "pocket"),
        Ref::to("inside_entry_id", "loadout_entry"),
    ],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<LoadoutEntryBody>,
    validate,
    dirties: no_dirt,
    hooks: Hooks {
        owner: Some(loadout::owner_of),
        companions: &[Companion { kind: "seal", field: "loadout_id", only: None, of: loadout_id }],
        freeze: Some(Freeze {
            by: sealed_by,
            about: About::SealedVsEdited,
            code: ErrorCode::LoadoutSealed,
            words: "the loadout is sealed; void its seal first, or make a new loadout",
        }),
        ..Hooks::NONE
    },
};

fn loadout_id(body: &Object) -> Option<Uuid> {
    reference_id(body, "loadout_id")
}

/// The seal that stands; the first that came, when there are several.
fn sealed_by<'a>(body: &Object, lookup: &'a dyn Lookup) -> Option<&'a Stored> {
    let seals = lookup.referring("seal", "loadout_id", loadout_id(body)?);
    let facts: Vec<SealFact> = seals.iter().filter_map(|seal| SealFact::of(seal)).collect();
    seals.into_iter().find(|seal| stands(seal.id, &facts))
}

fn validate(body: &Object, _: Option<&Stored>, lookup: &dyn Lookup) -> Vec<FieldError> {
    let Ok(entry) = shape::read::<LoadoutEntryBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    let mut wrong =
        |pointer: &str, code: &str, words: &str| errors.push(FieldError::new(pointer, code, words));
    if entry.quantity.is_some_and(|quantity| !(1..=10_000).contains(&quantity)) {
        wrong("/quantity", "out-of-range", "must be from 1 to 10000 whole units");
    }
    if entry.pocket_id.is_some() && !matches!(entry.carry_place, CarryPlace::Stowed | CarryPlace::DropBag) {
        wrong("/pocket_id", "contradiction", "only what is stowed, now or after its pick-up, is in a pocket");
    }
    if entry.pocket_id.is_some() && entry.inside_entry_id.is_some() {
        let words = "what is inside another entry is where that one is; name the pocket there";
        wrong("/pocket_id", "contradiction", words);
    }
    match (&entry.item_kitroom_id, &entry.seen) {
        (Some(_), None) => {
            let words = "is required for an item of another kitroom: masses and verdicts read only this";
            wrong("/seen", "missing", words);
        }
        (None, Some(_)) => {
            let words = "belongs to an item of another kitroom; name item_kitroom_id or leave it out";
            wrong("/seen", "contradiction", words);
        }
        _ => {}
    }
    let most = MAX_LEGS as u32;
    for (pointer, leg) in [("/from_leg", entry.from_leg), ("/to_leg", entry.to_leg)] {
        if leg.is_some_and(|leg| !(1..=most).contains(&leg)) {
            wrong(pointer, "out-of-range", "must be from 1 to 100: legs are counted from 1");
        }
    }
    if let (Some(from), Some(to)) = (entry.from_leg, entry.to_leg)
        && to < from
    {
        wrong("/to_leg", "contradiction", "the last leg lies before the first");
    }
    if let Some(inside) = entry.inside_entry_id
        && let Some(container) = lookup.get(KIND.name, inside.uuid())
        && let Ok(container) = shape::read::<LoadoutEntryBody>(&container.body)
    {
        if container.loadout_id != entry.loadout_id {
            wrong("/inside_entry_id", "contradiction", "that entry is in another loadout");
        }
        if container.inside_entry_id.is_some() {
            wrong("/inside_entry_id", "contradiction", "that entry is inside another one itself");
        }
    }
    errors
}
