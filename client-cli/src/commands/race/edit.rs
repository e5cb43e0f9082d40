//! `tare race edit`.

use domain::kinds::race::KIND;
use domain::sync::op::{Action, OpStatus};
use domain::wire::shape::Object;
use serde_json::{Value, json};

use super::add::find_sheet;
use super::{RaceEditArgs, body, file, show};
use crate::app::App;
use crate::document::Document;
use crate::error::{Error, Result};
use crate::local::Draft;

/// Changes a race: only what was given.
///
/// # Errors
/// With everything that is wrong; then nothing is changed.
pub fn cmd_race_edit(app: &mut App<'_>, args: &RaceEditArgs) -> Result<()> {
    let document = args.file.as_deref().map(Document::read).transpose()?;
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let record = app.named(&store, room.id, &KIND, &args.race)?;
    let race = body(&record)?;
    let mut find = |name: &str| find_sheet(&store, &room, name);
    let mut payload = match &document {
        Some(document) => file::of_document(document, Some(&race), &mut find)?,
        None => Object::new(),
    };
    let mut written = Object::new();
    for (field, value) in [("starts_at", &args.starts_at), ("rule_sheet", &args.sheet)] {
        if let Some(value) = value {
            written.insert(field.to_owned(), json!(value));
        }
    }
    let flags = file::fields(&written, Some(&race), &mut find).map_err(|errors| {
        let words: Vec<String> = errors.iter().map(file::in_words).collect();
        Error::refused("the race was not changed").because(words.join("; "))
    })?;
    payload.extend(flags);
    if !args.on.is_empty() || !args.off.is_empty() {
        let mut sets: Vec<String> =
            race.active_sets.iter().flatten().map(|set| set.as_str().to_owned()).collect();
        sets.retain(|set| !args.off.contains(set));
        for set in &args.on {
            if !sets.contains(set) {
                sets.push(set.clone());
            }
        }
        payload.insert("active_sets".to_owned(), if sets.is_empty() { Value::Null } else { json!(sets) });
    }
    if payload.is_empty() {
        return Err(Error::usage("nothing was given to change").hint("see: tare race edit --help"));
    }
    let results =
        store.act(room.id, &[Draft { kind: &KIND, record_id: record.id, action: Action::Patch, payload }])?;
    let unchanged = results.iter().all(|result| result.status == OpStatus::Noop);
    let Some(record) = store.record(room.id, &KIND, record.id)? else {
        return Err(Error::internal("the race was saved and cannot be found"));
    };
    let race = body(&record)?;
    let sets: Vec<&str> = race.active_sets.iter().flatten().map(|set| set.as_str()).collect();
    let on = if sets.is_empty() { String::new() } else { format!("; switched on: {}", sets.join(", ")) };
    let end = if unchanged { "it was so already" } else { "saved on this device" };
    let words = format!("{}{on}; {end}", show::line(&race));
    app.done(&crate::render::wrapped(0, &words), || Value::Object(record.to_wire()))
}
