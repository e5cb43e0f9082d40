//! `tare race add`.

use domain::kinds::{race::KIND, rule_sheet};
use domain::sync::op::Action;
use domain::wire::shape::Object;
use serde_json::{Value, json};
use uuid::Uuid;

use super::{RaceAddArgs, ask, body, file, show};
use crate::app::App;
use crate::document::Document;
use crate::error::{Error, Result};
use crate::local::{Draft, Kitroom, Store, named};

/// Adds a race, from a file or by questions.
///
/// # Errors
/// With everything that is wrong; then nothing is stored.
pub fn cmd_race_add(app: &mut App<'_>, args: &RaceAddArgs) -> Result<()> {
    let document = args.file.as_deref().map(Document::read).transpose()?;
    let mut store = app.store()?;
    let room = app.room_or_first(&mut store, None)?;
    let payload = match &document {
        Some(document) => file::of_document(document, None, &mut |name| find_sheet(&store, &room, name))?,
        None if app.ui.can_ask => ask::questions(app, &store, &room)?,
        None => {
            return Err(Error::usage("nobody is here to be asked about the race")
                .hint("give a file: tare race add FILE; what may be in it: tare race add --help"));
        }
    };
    refuse_twin(&store, &room, &payload)?;
    let record_id = store.new_id();
    store.act(room.id, &[Draft { kind: &KIND, record_id, action: Action::Create, payload }])?;
    let record = store.record(room.id, &KIND, record_id)?;
    let Some(record) = record else { return Err(Error::internal("the race was saved and cannot be found")) };
    let race = body(&record)?;
    if !app.ui.json {
        show::remarks(&race).iter().for_each(|remark| app.ui.say(remark));
    }
    let words =
        format!("{}: saved on this device\nnext: tare loadout new \"{}\"", show::line(&race), race.name);
    app.done(&words, || Value::Object(record.to_wire()))
}

/// The id of the sheet that a file or a person names.
///
/// # Errors
/// In words, when none matches or several do.
pub fn find_sheet(store: &Store, room: &Kitroom, name: &str) -> std::result::Result<Uuid, String> {
    let live = store.live(room.id, &rule_sheet::KIND).map_err(|error| error.to_string())?;
    match named::meant(&live, name).as_slice() {
        [one] => Ok(one.id),
        [] => Err(format!(
            "no rule sheet here has {name} in its name; take it in first: tare sheet import FILE"
        )),
        several => {
            let labels: Vec<String> = several.iter().map(|record| named::label(record)).collect();
            Err(format!("several rule sheets match {name}: {}", labels.join("; ")))
        }
    }
}

fn refuse_twin(store: &Store, room: &Kitroom, payload: &Object) -> Result<()> {
    let twin = store.live(room.id, &KIND)?.into_iter().find(|race| {
        race.body.get("name") == payload.get("name") && race.body.get("starts_at") == payload.get("starts_at")
    });
    match twin {
        None => Ok(()),
        Some(twin) => {
            let name = named::label(&twin);
            Err(Error::refused(format!("the race {name} is here already, with the same start"))
                .hint(format!("to change it: tare race edit \"{name}\" --file FILE")))
        }
    }
}

/// A race as JSON, with its sheet.
#[must_use]
pub fn to_json(record: &domain::sync::record::Stored, sheet: Option<&domain::sync::record::Stored>) -> Value {
    let mut document = Value::Object(record.to_wire());
    document["rule_sheet"] = sheet.map_or(Value::Null, |sheet| {
        json!({ "id": sheet.id, "name": sheet.body.get("name"), "edition": sheet.body.get("edition") })
    });
    document
}
