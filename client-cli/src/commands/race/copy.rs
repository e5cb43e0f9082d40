//! `tare race copy`.

use domain::kinds::{race::KIND, rule_sheet};
use domain::sync::op::Action;
use serde_json::json;

use super::{RaceCopyArgs, body, show};
use crate::app::App;
use crate::commands::sheet::{copied, copy_draft};
use crate::error::{Error, Result};
use crate::local::Draft;

/// Copies a race and its sheet from another kitroom of this device into the one in use, in one step.
///
/// # Errors
/// When it is not found, or was copied already.
pub fn cmd_race_copy(app: &mut App<'_>, args: &RaceCopyArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let from = app.room_named(&store, &args.from)?;
    if from.id == room.id {
        return Err(Error::usage("the race is in this kitroom already")
            .hint("name the kitroom that has it with --from, and the one that gets it with --kitroom"));
    }
    let record = app.named(&store, from.id, &KIND, &args.race)?;
    let race = body(&record)?;
    let twin = store
        .live(room.id, &KIND)?
        .into_iter()
        .find(|here| here.body.get("copied_from").and_then(|from| from.get("id")) == Some(&json!(record.id)));
    if twin.is_some() {
        return Err(Error::refused(format!("{} was copied from {} already", race.name, from.name))
            .hint(format!("to change it here: tare race edit \"{}\"", race.name)));
    }
    let mut drafts = Vec::new();
    let mut payload = record.body.clone();
    payload.insert("copied_from".to_owned(), copied(from.id, &record, store.env().now()));
    payload.remove("rule_sheet_id");
    let mut sheet_words = "it has no rule sheet".to_owned();
    if let Some(id) = race.rule_sheet_id
        && let Some(sheet) = store.record(from.id, &rule_sheet::KIND, id.uuid())?
    {
        let (draft, here, words) = copy_draft(&store, &room, &from, &sheet)?;
        payload.insert("rule_sheet_id".to_owned(), json!(here));
        drafts.extend(draft);
        sheet_words = format!("its rule sheet: {words}");
    }
    let record_id = store.new_id();
    drafts.push(Draft { kind: &KIND, record_id, action: Action::Create, payload });
    store.act(room.id, &drafts)?;
    let words = format!("{}: copied from {}; {sheet_words}", show::line(&race), from.name);
    app.done(&crate::render::wrapped(0, &words), || json!({ "id": record_id, "name": race.name }))
}
