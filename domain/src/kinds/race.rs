//! Races.

use super::{Hooks, Kind, Nature, Ref, no_dirt};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::time_zone;
use crate::wire::problem::FieldError;
use crate::wire::race::{Leg, MAX_LEGS, Position, RaceBody};
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "race",
    table: "races",
    nature: Nature::Mutable,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[Ref::to("rule_sheet_id", "rule_sheet")],
    least_role: Role::Keeper,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<RaceBody>,
    validate,
    dirties: no_dirt,
    hooks: Hooks::NONE,
};

/// The longest race, in hours: a year.
pub const MAX_RACE_H: f64 = 8_784.0;

fn validate(body: &Object, _: Option<&Stored>, _: &dyn Lookup) -> Vec<FieldError> {
    let Ok(race) = shape::read::<RaceBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    let mut wrong =
        |pointer: &str, code: &str, words: String| errors.push(FieldError::new(pointer, code, words));
    if let Some(hours) = race.expected_h
        && !(hours.scaled() > 0 && hours.value() <= MAX_RACE_H)
    {
        let words = format!("must be above 0 and at most {MAX_RACE_H} h: a race ends after it starts");
        wrong("/expected_h", "out-of-range", words);
    }
    if race.days.is_some_and(|days| !(1..=100).contains(&days)) {
        wrong("/days", "out-of-range", "must be from 1 to 100".into());
    }
    if race.seen_max_age_d.is_some_and(|days| days > 3650) {
        wrong("/seen_max_age_d", "out-of-range", "must be from 0 to 3650 days".into());
    }
    if let Some(zone) = &race.time_zone
        && time_zone::find(zone.as_str()).is_none()
    {
        let words = format!("{zone} is no time zone of the IANA database; an example is Europe/Paris");
        wrong("/time_zone", "invalid", words);
    }
    let sets = race.active_sets.unwrap_or_default();
    if sets.len() > 20 {
        wrong("/active_sets", "too-many", "at most 20 sets".into());
    }
    if let Some(at) = sets.iter().position(|set| set.as_str() == crate::rules::model::ALWAYS) {
        wrong(&format!("/active_sets/{at}"), "invalid", "always is on anyway; leave it out".into());
    }
    let legs = race.legs.unwrap_or_default();
    if legs.len() > MAX_LEGS {
        wrong("/legs", "too-many", format!("at most {MAX_LEGS} legs"));
    }
    for (at, leg) in legs.iter().enumerate() {
        validate_leg(at, leg, &mut errors);
    }
    errors
}

fn validate_leg(at: usize, leg: &Leg, errors: &mut Vec<FieldError>) {
    let mut wrong = |field: &str, words: String| {
        errors.push(FieldError::new(format!("/legs/{at}/{field}"), "out-of-range", words));
    };
    if leg.distance_km.scaled() == 0 {
        wrong("distance_km", format!("the leg to {} has no length; it must be above 0 km", leg.name));
    }
    if leg.expected_h.is_some_and(|hours| !(hours.scaled() > 0 && hours.value() <= MAX_RACE_H)) {
        wrong("expected_h", format!("must be above 0 and at most {MAX_RACE_H} h"));
    }
    for (field, position) in [("from", leg.from), ("to", leg.to)] {
        let Some(Position { lat, lon }) = position else { continue };
        if !(-90.0..=90.0).contains(&lat) {
            wrong(&format!("{field}/lat"), "must be from -90 to 90 degrees".into());
        }
        if !(-180.0..=180.0).contains(&lon) {
            wrong(&format!("{field}/lon"), "must be from -180 to 180 degrees".into());
        }
    }
}
