//! `tare sheet diff`.

use std::path::Path;

use domain::kinds::rule_sheet::KIND;
use domain::rules::{RuleSheet, diff};
use serde_json::json;

use super::{SheetDiffArgs, body, parsed};
use crate::app::App;
use crate::document::Document;
use crate::error::Result;
use crate::local::{Kitroom, Store, named};
use crate::render::{count, wrapped};

/// Says what changed between two editions, in plain words.
///
/// # Errors
/// When a sheet is not found, or a file is wrong.
pub fn cmd_sheet_diff(app: &mut App<'_>, args: &SheetDiffArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let (old, old_sheet) = sheet(app, &store, &room, &args.old)?;
    let (new, new_sheet) = sheet(app, &store, &room, &args.new)?;
    let changes = diff(&old_sheet, &new_sheet);
    if app.ui.json {
        return app.ui.json(&json!({ "old": old, "new": new, "changes": changes }));
    }
    let mut text = format!("from {old} to {new}: ");
    match changes.len() {
        0 => text.push_str("nothing changed\n"),
        n => text.push_str(&format!("{}\n", count(n as i64, "change"))),
    }
    for change in &changes {
        text.push_str(&format!("- {}\n", wrapped(2, &change.words)));
    }
    app.ui.data(&text)
}

/// A file of this name, else a sheet of this kitroom.
fn sheet(app: &mut App<'_>, store: &Store, room: &Kitroom, text: &str) -> Result<(String, RuleSheet)> {
    if Path::new(text).is_file() {
        let document = Document::read(Path::new(text))?;
        let sheet = parsed(&document)?;
        return Ok((document.name, sheet));
    }
    let record = app.named(store, room.id, &KIND, text)?;
    Ok((named::label(&record), body(&record)?.sheet()))
}
