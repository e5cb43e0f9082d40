//! `tare log undo`: an entry is chosen from the last ones and voided.

use clap::Args;
use domain::kinds;
use serde_json::json;

use super::history::{self, Entry};
use super::state;
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Draft;
use crate::render;

/// How many of the last entries are offered.
const OFFERED: usize = 10;

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
    // What was logged last is meant, whenever it happened.
    entries.sort_by_key(|entry| std::cmp::Reverse(entry.record.id));
    let mut offered = Vec::new();
    for entry in entries {
        if offered.len() == OFFERED {
            break;
        }
        if let Some(line) = store.item(room.id, entry.body.item_id.into())? {
            offered.push((entry, line));
        }
    }
    if offered.is_empty() {
        return Err(Error::refused("there is no entry to take back"));
    }
    let lines: Vec<String> = offered
        .iter()
        .map(|(entry, line)| {
            format!("{}  {}: {}", render::minute(entry.body.observed_at), line.name, entry.describe())
        })
        .collect();
    let at = if args.last || (offered.len() == 1 && only.is_some()) {
        0
    } else {
        app.choose("which entry is taken back?", &lines, "--last for the newest")?
    };
    let (entry, line) = &offered[at];
    store.act(room.id, &[Draft::void(&kinds::log_entry::KIND, entry.record.id, &args.reason)])?;
    let line = store.item(room.id, line.id)?.ok_or_else(|| Error::internal("the item has gone"))?;
    let words = format!("taken back: {}; it is {}", lines[at], state::words(&line));
    app.done(
        &render::wrapped(2, &words),
        || json!({ "undone": entry.record.id, "item": line.name, "state": line.state.state }),
    )
}
