//! A thing that waits, in plain words: what it is about, and its two sides.

use domain::kinds;
use domain::sync::client::recovery::Loss;
use domain::sync::op::Action;
use domain::time::Timestamp;
use domain::wire::conflict::{About, ConflictBody};
use domain::wire::shape::Object;
use serde_json::Value;
use uuid::Uuid;

use super::things::{Thing, What};
use crate::error::{Result, reasons};
use crate::local::{Kitroom, OutboxOp, Store};

/// A thing as it is told.
pub(super) struct Told {
    /// Whether it is a conflict, a refused change, or a lost record.
    pub(super) sort: &'static str,
    /// What it is about.
    pub(super) subject: String,
    /// What has happened.
    pub(super) story: String,
    /// What stands on the service.
    pub(super) a: String,
    /// The other side.
    pub(super) b: String,
    /// Whose the other side is, and since when.
    pub(super) b_by: String,
}

/// Tells a thing.
pub(super) fn tell(store: &Store, room: &Kitroom, thing: &Thing) -> Result<Told> {
    match &thing.what {
        What::Conflict(body) => conflict(store, room, body),
        What::Refused(op) => {
            let current = op.problem.as_ref().and_then(|p| p.more.get("current")).and_then(Value::as_object);
            let part = current.map(|current| part_of(&op.payload, current));
            let offered = readable(store, room, &op.kind, &op.payload)?;
            let why = op.problem.as_ref().map_or_else(|| "it did not say why".to_owned(), reasons);
            Ok(Told {
                sort: "refused",
                subject: named(store, room, &op.kind, op.record_id, Some(&op.payload))?,
                story: format!("the service refused this change: {}", by_name(store, room, op, why)?),
                a: part.map_or_else(|| "as it is there".to_owned(), |part| fields(Some(&part))),
                b: doing(op.action, &offered),
                b_by: format!("you, {}", at(op.done_at)),
            })
        }
        What::Lost(lost) => {
            let story = match lost.loss {
                Loss::Gone => "the service was put back to an earlier state and does not have it any more",
                Loss::Differs => "the service was put back to an earlier state and has another one",
                Loss::Undeleted => "the service was put back to an earlier state and has it again",
                Loss::Deleted => "the service was put back to an earlier state, and it is deleted there",
            };
            let now = match kinds::kind(&lost.kind) {
                Some(kind) => store.record(room.id, kind, lost.id)?.filter(|now| !now.deleted),
                None => None,
            };
            let before = lost.record.as_ref().map(said);
            let words = |part: &Object| -> Result<String> {
                Ok(fields(Some(&readable(store, room, &lost.kind, part)?)))
            };
            let (a, b) = match (&before, now.as_ref().map(|now| &now.body)) {
                (Some(before), Some(now)) if !lost.deleted => {
                    let changed = domain::sync::client::recovery::difference(now, before);
                    (words(&part_of(&changed, now))?, words(&changed)?)
                }
                (_, Some(now)) => (words(now)?, "deleted".to_owned()),
                (Some(before), None) => ("not there".to_owned(), words(before)?),
                (None, None) => ("not there".to_owned(), fields(None)),
            };
            Ok(Told {
                sort: "lost",
                subject: named(store, room, &lost.kind, lost.id, lost.record.as_ref())?,
                story: story.to_owned(),
                a,
                b,
                b_by: "as this device still has it".to_owned(),
            })
        }
    }
}

fn conflict(store: &Store, room: &Kitroom, body: &ConflictBody) -> Result<Told> {
    let story = match body.about {
        About::SameUnit => "two people changed the same without knowing of each other",
        About::DeletedVsEdited => "one deleted it, the other changed it without knowing",
        About::EditedVsDeleted => "one changed it, the other deleted it without knowing",
        About::DeletedVsFact => "something was noted about it that did not know that it is deleted",
        About::DoubleSupersede => "two corrections of the same; both stand for now",
        About::StateHeads => "two events say different things about its state; the stricter holds for now",
        About::SealedVsEdited => "it was sealed, and changed without knowing",
    };
    let facts: Vec<String> =
        body.among.iter().map(|fact| fact_words(store, room, &fact.kind, fact.id)).collect::<Result<_>>()?;
    let (a, b) = match body.about {
        About::DeletedVsFact => ("stays deleted".to_owned(), format!("comes back; {}", facts.join("; "))),
        About::DoubleSupersede | About::StateHeads => {
            let of = |fact: Option<&String>| fact.cloned().unwrap_or_else(|| "-".to_owned());
            (of(facts.first()), of(facts.last()))
        }
        _ => {
            let side =
                |value: Option<&Object>| value.map_or_else(|| "deleted".to_owned(), |v| fields(Some(v)));
            let a = match (body.about, body.kept.as_ref()) {
                (About::DeletedVsEdited, _) | (_, None) => "deleted".to_owned(),
                (_, kept) => side(kept),
            };
            (a, side(body.offered.as_ref()))
        }
    };
    let who = if body.offered_by == store.account_id()? {
        "you".to_owned()
    } else {
        store.person(body.offered_by)?.unwrap_or_else(|| "another member".to_owned())
    };
    let when = body.done_at.map(|done| format!(", {}", at(done))).unwrap_or_default();
    Ok(Told {
        sort: "conflict",
        subject: named(store, room, &body.kind, body.record_id, body.offered.as_ref())?,
        story: story.to_owned(),
        a,
        b,
        b_by: format!("{who}{when}"),
    })
}

/// A record as people read it: what it refers to by name instead of by id, times of day to the minute, readings with their
/// unit. The item that the subject names already, and how a reading was spelled, are left out.
fn readable(store: &Store, room: &Kitroom, kind: &str, part: &Object) -> Result<Object> {
    let Some(kind) = kinds::kind(kind) else { return Ok(part.clone()) };
    let mut read = Object::new();
    for (name, value) in part {
        if name == "raw" || (name == "item_id" && part.contains_key("observed_at")) {
            continue;
        }
        let reference = kind.refs.iter().find(|reference| reference.field == name);
        let id = value.as_str().and_then(|text| text.parse::<Uuid>().ok());
        let (name, value) = match (reference, id) {
            (Some(reference), Some(id)) => {
                let words = named(store, room, reference.kind, id, None)?;
                let bare = words.strip_prefix(&format!("{} ", reference.kind.replace('_', " ")));
                let bare = bare.filter(|bare| !bare.starts_with("of ")).unwrap_or(&words);
                (name.trim_end_matches("_id").to_owned(), Value::String(bare.to_owned()))
            }
            _ if name.ends_with("_at") => {
                let time = value.as_str().and_then(|text| text.parse::<Timestamp>().ok());
                (name.clone(), time.map_or_else(|| value.clone(), |time| Value::String(at(time))))
            }
            _ => match name.strip_suffix("_g") {
                Some(grams) => (grams.to_owned(), Value::String(format!("{} g", value_words(value)))),
                None => (name.clone(), value.clone()),
            },
        };
        read.insert(name, value);
    }
    Ok(read)
}

/// A record by its kind and its name, or by that of the item that it is about.
fn named(store: &Store, room: &Kitroom, kind: &str, id: Uuid, other: Option<&Object>) -> Result<String> {
    let words = kind.replace('_', " ");
    let name = |body: &Object| name_of(body).map(str::to_owned);
    let stored = body_of(store, room, kind, id)?;
    let found = stored.as_ref().and_then(&name).or_else(|| other.and_then(&name));
    if let Some(name) = found {
        return Ok(format!("{words} {name}"));
    }
    let item = stored.as_ref().or(other).and_then(|body| kinds::reference_id(body, "item_id"));
    let item = match item {
        Some(item) => body_of(store, room, kinds::item::KIND.name, item)?.as_ref().and_then(name),
        None => None,
    };
    Ok(item.map_or(words.clone(), |item| format!("{words} of {item}")))
}

fn name_of(body: &Object) -> Option<&str> {
    body.get("name")?.as_str()
}

/// The service's words with the names of what the op is about in the place of their ids, where this device knows them.
fn by_name(store: &Store, room: &Kitroom, op: &OutboxOp, words: String) -> Result<String> {
    let Some(kind) = kinds::kind(&op.kind) else { return Ok(words) };
    let referred = kind.references(&op.payload).map(|(reference, id)| (reference.kind, id));
    let mut words = words;
    for (kind, id) in std::iter::once((kind.name, op.record_id)).chain(referred) {
        let body = body_of(store, room, kind, id)?;
        if let Some(name) = body.as_ref().and_then(name_of) {
            words = words.replace(&id.to_string(), name);
        }
    }
    Ok(words)
}

/// A record as this device shows it, or as it was when a restored service has lost it.
fn body_of(store: &Store, room: &Kitroom, kind: &str, id: Uuid) -> Result<Option<Object>> {
    let Some(known) = kinds::kind(kind) else { return Ok(None) };
    match store.record(room.id, known, id)? {
        Some(record) => Ok(Some(record.body)),
        None => store.lost_record(room.id, kind, id),
    }
}

fn fact_words(store: &Store, room: &Kitroom, kind: &str, id: Uuid) -> Result<String> {
    let Some(known) = kinds::kind(kind) else { return Ok(kind.replace('_', " ")) };
    let Some(record) = store.record(room.id, known, id)? else { return Ok(kind.replace('_', " ")) };
    let text = |field: &str| record.body.get(field).map(value_words);
    let words: Vec<String> = [text("event"), text("reading_g").map(|g| format!("{g} g")), text("reason")]
        .into_iter()
        .flatten()
        .collect();
    let when = text("observed_at").map(|at| at.get(..16).unwrap_or(&at).replace('T', " "));
    let what = if words.is_empty() { kind.replace('_', " ") } else { words.join(", ") };
    Ok(when.map_or(what.clone(), |when| format!("{what}, {when}")))
}

/// What of `whole` the fields of `part` name.
fn part_of(part: &Object, whole: &Object) -> Object {
    let field = |(name, value): (&String, &Value)| {
        let there = whole.get(name).cloned().unwrap_or(Value::Null);
        let there = match (value, there) {
            (Value::Object(part), Value::Object(whole)) => Value::Object(part_of(part, &whole)),
            (_, there) => there,
        };
        (name.clone(), there)
    };
    part.iter().map(field).collect()
}

/// A record without what tells of its writing.
fn said(record: &Object) -> Object {
    const ABOUT: [&str; 6] = ["id", "version", "created_by", "recorded_by", "recorded_at", "time_suspect"];
    record
        .iter()
        .filter(|(name, _)| !ABOUT.contains(&name.as_str()))
        .map(|(n, v)| (n.clone(), v.clone()))
        .collect()
}

fn doing(action: Action, payload: &Object) -> String {
    match action {
        Action::Delete => "deleted".to_owned(),
        Action::Restore => "brought back".to_owned(),
        Action::Void => "voided".to_owned(),
        Action::Settle => format!("settled: {}", fields(Some(payload))),
        Action::Append | Action::Create | Action::Patch => fields(Some(payload)),
    }
}

/// Fields and their values, as in "size L, tag none".
pub(super) fn fields(part: Option<&Object>) -> String {
    let Some(part) = part.filter(|part| !part.is_empty()) else { return "nothing".to_owned() };
    let words: Vec<String> = part
        .iter()
        .map(|(name, value)| match value {
            Value::Object(inner) => format!("{}: {}", name.replace('_', " "), fields(Some(inner))),
            value => format!("{} {}", name.replace('_', " "), value_words(value)),
        })
        .collect();
    words.join(", ")
}

fn value_words(value: &Value) -> String {
    match value {
        Value::Null => "none".to_owned(),
        Value::Bool(true) => "yes".to_owned(),
        Value::Bool(false) => "no".to_owned(),
        Value::String(text) => text.clone(),
        Value::Array(values) => values.iter().map(value_words).collect::<Vec<_>>().join(" + "),
        other => other.to_string(),
    }
}

fn at(time: Timestamp) -> String {
    let text = time.to_string();
    text.get(..16).unwrap_or(&text).replace('T', " ")
}
