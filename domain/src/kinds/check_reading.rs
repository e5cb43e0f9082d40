//! Check readings: they move the offset of their sitting.

use super::{Dirty, Hooks, Kind, Nature, Ref, reference_id, weighing};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::wire::check_reading::CheckReadingBody;
use crate::wire::problem::FieldError;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;

/// The kind.
pub const KIND: Kind = Kind {
    name: "check_reading",
    table: "check_readings",
    nature: Nature::Fact,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[Ref::to("sitting_id", "sitting"), Ref::to("supersedes_id", "check_reading")],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<CheckReadingBody>,
    validate,
    dirties,
    hooks: Hooks::NONE,
};

fn validate(body: &Object, _: Option<&Stored>, lookup: &dyn Lookup) -> Vec<FieldError> {
    let Ok(reading) = shape::read::<CheckReadingBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    if reading.known_g.scaled() == 0 {
        errors.push(FieldError::new("/known_g", "out-of-range", "must be above 0 g"));
    }
    if reading.known_u_g >= reading.known_g {
        let words = "the uncertainty of a check weight must be below its mass";
        errors.push(FieldError::new("/known_u_g", "out-of-range", words));
    }
    let scale = weighing::scale_of(None, reference_id(body, "sitting_id"), lookup);
    errors.extend(weighing::over_capacity("/reading_g", reading.reading_g, scale));
    errors
}

fn dirties(record: &Stored, lookup: &dyn Lookup) -> Vec<Dirty> {
    let superseded = reference_id(&record.body, "supersedes_id").and_then(|id| lookup.get(KIND.name, id));
    let records = [Some(record), superseded];
    records
        .into_iter()
        .flatten()
        .filter_map(|r| reference_id(&r.body, "sitting_id"))
        // Readings of one weight in one sitting are repeats of the scale as well.
        .flat_map(|sitting| [Dirty::Sitting(sitting), Dirty::Repeats(sitting)])
        .collect()
}
