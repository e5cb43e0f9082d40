//! `tare sheet copy`.

use domain::kinds::rule_sheet::KIND;
use domain::sync::op::Action;
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::rule_sheet::CopiedFrom;
use domain::wire::shape::Object;
use serde_json::{Value, json};
use uuid::Uuid;

use super::SheetCopyArgs;
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::{Draft, Kitroom, Store, named};

/// Copies a sheet from another kitroom of this device into the one in use.
///
/// # Errors
/// When it is not found, or is here already in the same version.
pub fn cmd_sheet_copy(app: &mut App<'_>, args: &SheetCopyArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let from = app.room_named(&store, &args.from)?;
    if from.id == room.id {
        return Err(Error::usage("the sheet is in this kitroom already")
            .hint("name the kitroom that has it with --from, and the one that gets it with --kitroom"));
    }
    let record = app.named(&store, from.id, &KIND, &args.sheet)?;
    let (draft, id, news) = copy_draft(&store, &room, &from, &record)?;
    if let Some(draft) = draft {
        store.act(room.id, &[draft])?;
    }
    let label = named::label(&record);
    app.done(&format!("{label}, from {}: {news}", from.name), || json!({ "id": id, "name": label }))
}

/// The draft that brings a sheet of `from` into `room` (none when it is here as it is there), its id here, and words.
///
/// # Errors
/// When the store cannot be read.
pub fn copy_draft(
    store: &Store,
    room: &Kitroom,
    from: &Kitroom,
    record: &Stored,
) -> Result<(Option<Draft>, Uuid, &'static str)> {
    let mut payload = record.body.clone();
    payload.insert("copied_from".to_owned(), copied(from.id, record, store.env().now()));
    let origin = |record: &Stored| -> Option<(Uuid, i64)> {
        let from: CopiedFrom = serde_json::from_value(record.body.get("copied_from")?.clone()).ok()?;
        Some((from.id, from.version))
    };
    let kind = &KIND;
    let here = store.live(room.id, kind)?;
    let same = here.iter().find(|here| origin(here).is_some_and(|(id, _)| id == record.id));
    Ok(match same {
        Some(here) if without_origin(&here.body) == without_origin(&record.body) => {
            (None, here.id, "here already, the same")
        }
        Some(here) => {
            // What is gone there goes here, too.
            for field in here.body.keys().filter(|field| !record.body.contains_key(*field)) {
                payload.entry(field.clone()).or_insert(Value::Null);
            }
            let draft = Draft { kind, record_id: here.id, action: Action::Patch, payload };
            (Some(draft), here.id, "the copy here was brought up to date")
        }
        None => {
            let record_id = store.new_id();
            let draft = Draft { kind, record_id, action: Action::Create, payload };
            (Some(draft), record_id, "copied; saved on this device")
        }
    })
}

fn without_origin(body: &Object) -> Object {
    let mut body = body.clone();
    body.remove("copied_from");
    body
}

/// Where a copy comes from.
#[must_use]
pub fn copied(from: Uuid, record: &Stored, at: Timestamp) -> Value {
    json!({ "kitroom_id": from, "id": record.id, "version": record.version, "at": at })
}
