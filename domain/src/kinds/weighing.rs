//! Weighings: each makes the mass of its item stale.

use uuid::Uuid;

use super::{Dirty, Hooks, Kind, Nature, Ref, reference_id};
use crate::sync::op::Role;
use crate::sync::record::{Lookup, Stored};
use crate::units::ReadingMg;
use crate::wire::problem::FieldError;
use crate::wire::scale::ScaleBody;
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;
use crate::wire::weighing::WeighingBody;

/// The kind.
pub const KIND: Kind = Kind {
    name: "weighing",
    table: "weighings",
    nature: Nature::Fact,
    groups: &[],
    maps: &[],
    write_once: &[],
    refs: &[
        Ref::to("item_id", "item"),
        Ref::to("sitting_id", "sitting"),
        Ref::to("scale_id", "scale"),
        Ref::to("supersedes_id", "weighing"),
    ],
    least_role: Role::Member,
    max_bytes: MAX_RECORD_BYTES,
    normalise: shape::normalise::<WeighingBody>,
    validate,
    dirties,
    hooks: Hooks::NONE,
};

/// The scale of a reading: named directly, or through its sitting.
pub(super) fn scale_of(scale: Option<Uuid>, sitting: Option<Uuid>, lookup: &dyn Lookup) -> Option<ScaleBody> {
    let through_sitting = || reference_id(&lookup.get("sitting", sitting?)?.body, "scale_id");
    let scale = lookup.get("scale", scale.or_else(through_sitting)?)?;
    shape::read::<ScaleBody>(&scale.body).ok()
}

pub(super) fn over_capacity(
    pointer: &str,
    reading: ReadingMg,
    scale: Option<ScaleBody>,
) -> Option<FieldError> {
    let scale = scale?;
    let capacity = scale.capacity_g?;
    (reading.scaled() > capacity.scaled()).then(|| {
        let words = format!("{reading} is over the capacity of {capacity} of the scale {}", scale.name);
        FieldError::new(pointer, "over-capacity", words)
    })
}

fn validate(body: &Object, _: Option<&Stored>, lookup: &dyn Lookup) -> Vec<FieldError> {
    let Ok(weighing) = shape::read::<WeighingBody>(body) else { return Vec::new() };
    let mut errors = Vec::new();
    let mut wrong =
        |pointer: &str, code: &str, words: String| errors.push(FieldError::new(pointer, code, words));
    match (weighing.sitting_id, weighing.scale_id, weighing.resolution_g) {
        (Some(_), Some(_), _) => {
            wrong("/scale_id", "contradiction", "name the sitting or the scale, not both".into());
        }
        (None, None, None) => {
            let words =
                "is required when neither sitting_id nor scale_id is given: the step of the scale's display";
            wrong("/resolution_g", "missing", words.into());
        }
        (None, None, Some(resolution)) if resolution.scaled() == 0 => {
            wrong("/resolution_g", "out-of-range", "must be above 0 g".into());
        }
        (Some(_), None, Some(_)) | (None, Some(_), Some(_)) => {
            let words = "is the scale's own; leave it out when a sitting or a scale is named";
            wrong("/resolution_g", "contradiction", words.into());
        }
        _ => {}
    }
    for (pointer, count, most) in [
        ("/units", weighing.units, 10_000),
        ("/lifts", weighing.lifts, 1000),
        ("/samples", weighing.samples, 1_000_000),
    ] {
        if count.is_some_and(|count| !(1..=most).contains(&count)) {
            wrong(pointer, "out-of-range", format!("must be from 1 to {most}"));
        }
    }
    if weighing.net_g() <= 0.0 {
        let tare = weighing.tare_g.map(|tare| format!(" less the tare of {tare}")).unwrap_or_default();
        let words = format!("the net mass must be above 0 g; {}{tare} is not", weighing.reading_g);
        wrong("/reading_g", "out-of-range", words);
    }
    let scale = scale_of(weighing.scale_id.map(Into::into), weighing.sitting_id.map(Into::into), lookup);
    errors.extend(over_capacity("/reading_g", weighing.reading_g, scale));
    errors
}

fn dirties(record: &Stored, lookup: &dyn Lookup) -> Vec<Dirty> {
    let superseded = reference_id(&record.body, "supersedes_id").and_then(|id| lookup.get(KIND.name, id));
    let bodies = [Some(record), superseded].into_iter().flatten().map(|record| &record.body);
    let dirt = bodies.flat_map(|body| {
        let item = reference_id(body, "item_id").map(Dirty::Item);
        let repeats = reference_id(body, "sitting_id").map(Dirty::Repeats);
        item.into_iter().chain(repeats)
    });
    dirt.collect()
}
