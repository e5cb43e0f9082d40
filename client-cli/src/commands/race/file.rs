//! A race as a person writes it, and what is wrong with it: everything at once.

use domain::kinds::race::KIND;
use domain::sync::record::{Lookup, Stored};
use domain::time::Timestamp;
use domain::wire::problem::FieldError;
use domain::wire::race::{Leg, RaceBody};
use domain::wire::shape::{self, Object};
use serde_json::{Value, json};
use uuid::Uuid;

use super::times;
use crate::document::Document;
use crate::error::{Error, Result};

/// What resolves the name of a rule sheet; the words say why it cannot.
pub type FindSheet<'f> = dyn FnMut(&str) -> std::result::Result<Uuid, String> + 'f;

/// The fields that a person writes, as they are stored. `present` is the race that is changed, if there is one.
///
/// # Errors
/// Everything that is wrong, each with its JSON pointer.
pub fn fields(
    written: &Object,
    present: Option<&RaceBody>,
    find_sheet: &mut FindSheet<'_>,
) -> std::result::Result<Object, Vec<FieldError>> {
    let mut errors = Vec::new();
    let mut fields = written.clone();
    if let Some(name) = fields.remove("rule_sheet") {
        match name.as_str().map(&mut *find_sheet) {
            Some(Ok(id)) => {
                fields.insert("rule_sheet_id".to_owned(), json!(id));
            }
            Some(Err(why)) => errors.push(FieldError::new("/rule_sheet", "invalid", why)),
            None => {
                errors.push(FieldError::new("/rule_sheet", "invalid", "must be the name of a rule sheet"))
            }
        }
    }
    let zone = match fields.get("time_zone") {
        Some(zone) => zone.as_str().map(str::to_owned),
        None => present.and_then(|race| Some(race.time_zone.as_ref()?.as_str().to_owned())),
    };
    let mut time = |field: &str, fields: &mut Object| -> Option<Timestamp> {
        let written = fields.remove(field)?;
        let at = match written.as_str() {
            Some(text) => times::read(text, zone.as_deref()),
            None => Err("must be a time, as in \"2026-08-28 06:00\"".to_owned()),
        };
        at.map_err(|why| errors.push(FieldError::new(format!("/{field}"), "invalid", why))).ok()
    };
    let starts_at = time("starts_at", &mut fields);
    let ends_at = time("ends_at", &mut fields);
    if let Some(at) = starts_at {
        fields.insert("starts_at".to_owned(), json!(at));
    }
    if let Some(end) = ends_at {
        let start = starts_at.or(present.and_then(|race| race.starts_at));
        match start.map(|start| end.hours_since(start)) {
            Some(hours) if hours > 0.0 => {
                let hours = (hours * 1000.0).round() / 1000.0;
                fields.entry("expected_h").or_insert(json!(hours));
            }
            Some(_) => {
                let zone = zone.as_deref();
                let start = start.map(|at| times::clock(at, zone)).unwrap_or_default();
                let words = format!("the race ends ({}) before it starts ({start})", times::clock(end, zone));
                errors.push(FieldError::new("/ends_at", "contradiction", words));
            }
            // A start that cannot be read was named already.
            None if written.contains_key("starts_at") => {}
            None => errors.push(FieldError::new("/ends_at", "missing", "give starts_at as well")),
        }
    }
    errors.extend(wrong_fields(&fields, present));
    errors.sort_by(|a, b| (&a.pointer, &a.detail).cmp(&(&b.pointer, &b.detail)));
    errors.dedup_by(|a, b| a.pointer == b.pointer && a.detail == b.detail);
    if errors.is_empty() { Ok(fields) } else { Err(errors) }
}

/// What the kind itself finds wrong. A field that cannot be read hides nothing of the others.
fn wrong_fields(fields: &Object, present: Option<&RaceBody>) -> Vec<FieldError> {
    let mut errors = Vec::new();
    let mut sound = fields.clone();
    if let Some(Value::Array(legs)) = sound.get_mut("legs") {
        for (at, leg) in legs.iter_mut().enumerate() {
            let Some(object) = leg.as_object() else { continue };
            if let Err(wrong) = shape::read::<Leg>(object) {
                errors.extend(wrong.into_iter().map(|error| {
                    FieldError::new(format!("/legs/{at}{}", error.pointer), &error.code, error.detail)
                }));
                // It stands in for the leg, so that the others keep their numbers.
                *leg = json!({ "name": "leg", "distance_km": 1 });
            }
        }
    }
    match present {
        None => {}
        Some(race) => {
            if let Ok(Value::Object(body)) = serde_json::to_value(race) {
                body.into_iter().for_each(|(field, value)| {
                    sound.entry(field).or_insert(value);
                });
            }
        }
    }
    if let Err(wrong) = shape::read::<RaceBody>(&sound) {
        for error in &wrong {
            if let Some(field) = error.pointer.split('/').nth(1) {
                sound.remove(field);
            }
        }
        sound.entry("name").or_insert(json!("race"));
        errors.extend(wrong);
    }
    errors.extend((KIND.validate)(&sound, None, &Nothing));
    errors
}

struct Nothing;

impl Lookup for Nothing {
    fn get(&self, _: &str, _: Uuid) -> Option<&Stored> {
        None
    }

    fn in_use(&self, _: &str, _: Uuid) -> bool {
        false
    }

    fn referring(&self, _: &str, _: &str, _: Uuid) -> Vec<&Stored> {
        Vec::new()
    }
}

/// The same of a file: everything that is wrong, with line and column.
///
/// # Errors
/// When it does not parse, or with everything that is wrong.
pub fn of_document(
    document: &Document,
    present: Option<&RaceBody>,
    find_sheet: &mut FindSheet<'_>,
) -> Result<Object> {
    fields(&document.object()?, present, find_sheet).map_err(|errors| {
        let lines: Vec<String> = errors
            .iter()
            .map(|error| {
                let (line, column) = document.place(&error.pointer);
                format!("line {line}, column {column}: {}", in_words(error))
            })
            .collect();
        let what = crate::render::count(lines.len() as i64, "thing");
        Error::refused(format!("{} was not taken in: {what} to mend", document.name))
            .because(lines.join("\n           "))
            .hint("mend them and try again; nothing was changed")
    })
}

/// A wrong field by its name; legs are counted from 1, as people do.
#[must_use]
pub fn in_words(error: &FieldError) -> String {
    let mut parts = error.pointer.trim_start_matches('/').split('/');
    let field = match (parts.next(), parts.next().and_then(|n| n.parse::<usize>().ok())) {
        (Some("legs"), Some(at)) => {
            let rest: Vec<&str> = parts.collect();
            if rest.is_empty() {
                format!("leg {}", at + 1)
            } else {
                format!("leg {}, {}", at + 1, rest.join("."))
            }
        }
        _ => error.pointer.trim_start_matches('/').replace('/', "."),
    };
    if field.is_empty() { error.detail.clone() } else { format!("{field}: {}", error.detail) }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn wrong(written: Value) -> Vec<String> {
        let mut find = |name: &str| Err(format!("no rule sheet here has {name} in its name"));
        let written = written.as_object().unwrap().clone();
        fields(&written, None, &mut find).unwrap_err().iter().map(in_words).collect()
    }

    #[test]
    fn fields_everything_wrong_is_named_at_once() {
        let written = json!({
            "name": "Ridge 100", "time_zone": "Europe/Paris",
            "starts_at": "2026-08-28 06:00", "ends_at": "2026-08-27 06:00", "rule_sheet": "nothing", "dayz": 2,
            "legs": [
                { "name": "Hut", "distance_km": 0 },
                { "name": "Col", "distance_km": "far" },
                { "name": "End", "distance_km": 12, "expected_h": 0, "to": { "lat": 91, "lon": 6 } },
            ],
        });
        assert_eq!(
            wrong(written),
            [
                "dayz: there is no field dayz; did you mean days?",
                "ends_at: the race ends (Thu 27 August 2026, 06:00) before it starts (Fri 28 August 2026, 06:00)",
                "leg 1, distance_km: the leg to Hut has no length; it must be above 0 km",
                "leg 2, distance_km: invalid type: string \"far\", expected f64",
                "leg 3, expected_h: must be above 0 and at most 8784 h",
                "leg 3, to.lat: must be from -90 to 90 degrees",
                "rule_sheet: no rule sheet here has nothing in its name",
            ]
        );
    }

    #[test]
    fn fields_the_end_gives_the_hours_and_the_zone_the_start() {
        let written = json!({
            "name": "Ridge", "time_zone": "Europe/Paris", "starts_at": "2026-08-28 06:00", "ends_at": "2026-08-29 02:30",
        });
        let fields = fields(written.as_object().unwrap(), None, &mut |_| Err(String::new())).unwrap();
        assert_eq!(
            (&fields["starts_at"], &fields["expected_h"]),
            (&json!("2026-08-28T04:00:00.000Z"), &json!(20.5))
        );
        assert!(!fields.contains_key("ends_at"));
    }
}
