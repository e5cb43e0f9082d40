//! `tare sheet import`.

use domain::kinds::rule_sheet::KIND;
use domain::rules::{RuleSheet, diff};
use domain::sync::op::{Action, OpStatus};
use domain::wire::rule_sheet::RuleSheetBody;
use domain::wire::text::{Mark, Name};
use serde_json::json;

use super::{SheetImportArgs, body, parsed};
use crate::app::App;
use crate::document::Document;
use crate::error::{Error, Result};
use crate::local::{Draft, named};
use crate::render::count;

/// Takes a sheet in: a new one, or the present one of the same name and edition brought up to date.
///
/// # Errors
/// With every place of the file that is wrong; then nothing is changed.
pub fn cmd_sheet_import(app: &mut App<'_>, args: &SheetImportArgs) -> Result<()> {
    let document = Document::read(&args.file)?;
    let sheet = parsed(&document)?;
    let new = body_of(&sheet).map_err(|why| {
        Error::refused(format!("{} was not taken in", document.name)).because(why).hint("nothing was changed")
    })?;
    let mut store = app.store()?;
    let room = app.room_or_first(&mut store, None)?;
    let others = store.live(room.id, &KIND)?;
    let same_name: Vec<_> =
        others.iter().filter(|record| record.body.get("name") == Some(&json!(new.name))).collect();
    let same = same_name
        .iter()
        .find(|record| record.body.get("edition") == new.edition.as_ref().map(|e| json!(e)).as_ref());
    let (record_id, action, payload, words) = match same {
        None => {
            let draft = Draft::make(&KIND, store.new_id(), &new)?;
            (draft.record_id, draft.action, draft.payload, "saved on this device".to_owned())
        }
        Some(record) => {
            let changes = diff(&body(record)?.sheet(), &sheet);
            let payload = json!({ "rules": new.rules }).as_object().cloned().unwrap_or_default();
            let words = format!("brought up to date: {}", count(changes.len() as i64, "change"));
            (record.id, Action::Patch, payload, words)
        }
    };
    let results = store.act(room.id, &[Draft { kind: &KIND, record_id, action, payload }])?;
    let unchanged = results.iter().all(|result| result.status == OpStatus::Noop);
    let words = if unchanged { "it was so already".to_owned() } else { words };
    let record = store.record(room.id, &KIND, record_id)?;
    let label = record.as_ref().map(named::label).unwrap_or_default();
    let rules = count(sheet.rules.len() as i64, "rule");
    if same.is_none()
        && let Some(before) = same_name.first()
    {
        let (old, new) = (named::label(before), label.clone());
        app.ui.say(&format!("another edition is here; what changed:\n  tare sheet diff \"{old}\" \"{new}\""));
    }
    app.done(
        &format!("{label}: {rules}; {words}"),
        || json!({ "sheet": record.map(|record| record.to_wire()), "unchanged": unchanged }),
    )
}

fn body_of(sheet: &RuleSheet) -> std::result::Result<RuleSheetBody, String> {
    let name = Name::new(&sheet.name).map_err(|why| format!("name: {why}"))?;
    let edition = match sheet.edition.trim() {
        "" => None,
        edition => Some(Mark::new(edition).map_err(|why| format!("edition: {why}"))?),
    };
    Ok(RuleSheetBody { name, edition, rules: sheet.rules.clone(), copied_from: None, notes: None })
}
