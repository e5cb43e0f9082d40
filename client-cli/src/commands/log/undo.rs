//! `tare log undo`: an entry is chosen from the last ones and voided.

use clap::Args;
use domain::kinds;
use serde_json::json;

use super::history::{self, Entry};
use super::state;
use crate::app::App;
use crate::commands::take_back::{Asked, TakenBack, take_back};
use crate::error::Result;
use crate::render;

/// Which entry.
#[derive(Debug, Clone, Default, Args)]
pub struct UndoArgs {
    /// Only entries of this item, by a part of its name or its tag.
    pub item: Vec<String>,
    /// The newest one, without asking.
    #[arg(long)]
    pub last: bool,
    /// Why, for whoever reads the history.
    #[arg(long, value_name = "TEXT", default_value = "taken back")]
    pub reason: String,
}

/// Takes an entry back.
///
/// # Errors
/// When it is not clear which, or that is refused.
pub fn cmd_log_undo(app: &mut App<'_>, args: &UndoArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let only = match args.item.as_slice() {
        [] => None,
        words => Some(app.item(&store, room.id, &words.join(" "))?),
    };
    let mut entries = match &only {
        Some(line) => history::of_item(&store, room.id, line.id)?,
        None => {
            let records = store.records(room.id, &kinds::log_entry::KIND)?;
            history::entries(&store, room.id, records)?
        }
    };
    entries.retain(Entry::stands);
    let asked = Asked {
        kind: &kinds::log_entry::KIND,
        noun: "entry",
        last: args.last,
        of_one_item: only.is_some(),
        reason: &args.reason,
    };
    let TakenBack { record, line, words } = take_back(app, &mut store, room.id, entries, &asked)?;
    let words = format!("taken back: {words}; it is {}", state::words(&line));
    app.done(
        &render::wrapped(2, &words),
        || json!({ "undone": record, "item": line.name, "state": line.state.state }),
    )
}
