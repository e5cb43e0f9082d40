//! Log entries: an item's condition history. A state event makes the item's state stale.

mod heads;

pub use heads::settled_id;

use uuid::Uuid;

use super::{Companion, Dirty, Hooks, Kind, Nature, Ref, reference_id};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::log_entry::{LogEntryBody, LogEvent, MAX_AFTER, TestedPart};
use crate::wire::problem::FieldError;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "log_entry",
    table: "log_entries",
    nature: Nature::Fact,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[
        Ref::to("item_id", "item"),
        Ref::to("loadout_id", "loadout"),
        Ref::to("supersedes_id", "log_entry"),
    ],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<LogEntryBody>,
    validate,
    dirties,
    hooks: Hooks {
        companions: &[Companion {
            kind: "log_entry",
            field: "item_id",
            only: Some(("event", STATE_EVENTS)),
            of: item_of_state_event,
        }],
        contradicts: Some(heads::contradicts),
        complete: Some(heads::complete),
        settles: Some(heads::settles),
        ..Hooks::NONE
    },
};

/// The fields that every event may have.
const COMMON: &[&str] = &["item_id", "event", "observed_at", "supersedes_id", "note"];

/// The fields of an event besides the common ones: those that it must have, and those that it may have.
#[must_use]
pub fn fields(event: LogEvent) -> (&'static [&'static str], &'static [&'static str]) {
    match event {
        LogEvent::Use => (&[], &["worn_h", "carried_h", "wet_h", "distance_km", "loadout_id"]),
        LogEvent::Wash => (&[], &["program", "detergent"]),
        LogEvent::Reproof => (&[], &["detergent"]),
        LogEvent::Repair => (&[], &["part"]),
        LogEvent::Inspection => (&["grade"], &["part"]),
        LogEvent::SprayTest => (&["grade"], &["part"]),
        LogEvent::HeadTest => (
            &["head_mm"],
            &["relation", "rate_cm_min", "drops", "part", "face", "places", "rig", "temperature_c"],
        ),
        LogEvent::BurnTest => (&["burn_h"], &["mode", "temperature_c"]),
        LogEvent::Opened => (&[], &[]),
        LogEvent::Damage => (&[], &["part", "loadout_id"]),
        LogEvent::Retire => (&["reason"], &["after", "loadout_id"]),
        LogEvent::Quarantine | LogEvent::Clear | LogEvent::Watch | LogEvent::Reinstate => (&[], &["after"]),
    }
}

fn validate(body: &Object, _: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    let Ok(entry) = shape::read::<LogEntryBody>(body) else { return Vec::new() };
    let (required, allowed) = fields(entry.event);
    let mut errors = Vec::new();
    let mut wrong = |field: &str, code: &str, words: String| {
        errors.push(FieldError::new(shape::pointer(&[field]), code, words))
    };
    let event = entry.event.name();
    for field in required.iter().filter(|field| !body.contains_key(**field)) {
        wrong(field, "missing", format!("is required for {event}"));
    }
    for field in body.keys().map(String::as_str) {
        if !COMMON.contains(&field) && !required.contains(&field) && !allowed.contains(&field) {
            wrong(field, "contradiction", format!("does not belong to {event}"));
        }
    }
    let grades = match entry.event {
        LogEvent::Inspection => Some((1..=5, "5 is as new, 1 is not to be used")),
        LogEvent::SprayTest => Some((0..=5, "the grades of ISO 4920: 5 is no wetting, 0 is face and back")),
        _ => None,
    };
    if let (Some((range, words)), Some(grade)) = (grades, entry.grade)
        && !range.contains(&grade)
    {
        wrong("grade", "out-of-range", format!("must be from {} to {}: {words}", range.start(), range.end()));
    }
    if entry.event == LogEvent::Use {
        let hours = |hours: Option<crate::units::Hours>| hours.map_or(0, |hours| hours.scaled());
        if entry.worn_h.is_none() && entry.carried_h.is_none() && entry.distance_km.is_none() {
            wrong("worn_h", "missing", "say at least one of worn_h, carried_h and distance_km".into());
        }
        let out = hours(entry.worn_h) + hours(entry.carried_h);
        if (entry.worn_h.is_some() || entry.carried_h.is_some()) && hours(entry.wet_h) > out {
            wrong("wet_h", "contradiction", "more wet hours than hours worn and carried".into());
        }
    }
    if entry.event == LogEvent::HeadTest {
        if entry.head_mm.is_some_and(|head| head.scaled() == 0) {
            wrong("head_mm", "out-of-range", "must be above 0 mm".into());
        }
        if let Some(part) = &entry.part
            && TestedPart::from_name(part.as_str()).is_none()
        {
            wrong("part", "invalid", format!("{part} is not tested; say fabric or seam"));
        }
        if entry.rate_cm_min.is_some_and(|rate| !(0.1..=10_000.0).contains(&rate)) {
            wrong("rate_cm_min", "out-of-range", "must be from 0.1 to 10000 cm a minute".into());
        }
        if entry.places.is_some_and(|places| !(1..=1000).contains(&places)) {
            wrong("places", "out-of-range", "must be from 1 to 1000".into());
        }
    }
    if entry.burn_h.is_some_and(|hours| hours.scaled() == 0) {
        wrong("burn_h", "out-of-range", "must be above 0 h".into());
    }
    if entry.after.is_some_and(|after| after.len() > MAX_AFTER) {
        wrong("after", "too-many", format!("at most {MAX_AFTER} entries"));
    }
    errors
}

fn dirties(record: &Stored, lookup: &dyn Lookup) -> Vec<Dirty> {
    let superseded = reference_id(&record.body, "supersedes_id").and_then(|id| lookup.get(KIND.name, id));
    let stale = [Some(record), superseded].into_iter().flatten();
    stale.filter_map(|record| item_of_state_event(&record.body)).map(Dirty::State).collect()
}

/// The events that set a state.
const STATE_EVENTS: &[&str] = &["quarantine", "clear", "watch", "retire", "reinstate"];

/// The item of an event that sets a state; none for other events.
fn item_of_state_event(body: &Object) -> Option<Uuid> {
    let event = body.get("event").and_then(serde_json::Value::as_str)?;
    STATE_EVENTS.contains(&event).then(|| reference_id(body, "item_id"))?
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn state_events_are_those_that_set_a_state() {
        let sets = LogEvent::ALL.iter().filter(|event| event.sets().is_some());
        assert_eq!(sets.map(|event| event.name()).collect::<Vec<_>>(), STATE_EVENTS);
    }
}
