//! `tare item edit`.

use domain::kinds::item::KIND;
use domain::sync::op::{Action, OpStatus};
use domain::wire::shape::Object;
use serde_json::{Value, json};

use super::ItemEditArgs;
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Draft;

/// Changes an item: only what was given, so that a change elsewhere of another field is kept.
///
/// # Errors
/// When no item or more than one matches, nothing was given, or a field is not valid.
pub fn cmd_item_edit(app: &mut App<'_>, args: &ItemEditArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let line = app.item(&store, room.id, &args.item)?;
    let mut payload = args.fields.to_object()?;
    if let Some(name) = &args.name {
        payload.insert("name".to_owned(), json!(name));
    }
    for field in &args.clear {
        clear(&mut payload, field)?;
    }
    if payload.is_empty() {
        return Err(Error::usage("nothing was given to change").hint("see: tare item edit --help"));
    }
    let draft = Draft { kind: &KIND, record_id: line.id, action: Action::Patch, payload };
    let results = store.act(room.id, &[draft])?;
    let unchanged = results.iter().all(|result| result.status == OpStatus::Noop);
    let line = store.item(room.id, line.id)?;
    let words = line.as_ref().map(crate::app::describe).unwrap_or_default();
    let end = if unchanged { "it was so already" } else { "saved on this device" };
    app.done(&format!("{words}; {end}"), || super::show::to_json(line.as_ref(), None))
}

/// In a merge patch, null takes a field away.
fn clear(payload: &mut Object, field: &str) -> Result<()> {
    let contradiction = || Error::usage(format!("{field} is both given and cleared"));
    match field.split_once('.') {
        Some((map, key)) => {
            let slot = payload.entry(map).or_insert_with(|| json!({}));
            let Value::Object(inner) = slot else { return Err(contradiction()) };
            match inner.insert(key.to_owned(), Value::Null) {
                None => Ok(()),
                Some(_) => Err(contradiction()),
            }
        }
        None if field == "name" || field == "kind" => {
            Err(Error::usage(format!("an item always has a {field}")))
        }
        None => match payload.insert(field.to_owned(), Value::Null) {
            None => Ok(()),
            Some(_) => Err(contradiction()),
        },
    }
}
