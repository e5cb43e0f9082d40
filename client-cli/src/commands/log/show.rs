//! `tare log show`.

use clap::Args;
use serde_json::{Value, json};

use super::{history, state};
use crate::app::App;
use crate::error::Result;

/// Which item.
#[derive(Debug, Args)]
pub struct ShowArgs {
    /// A part of its name or its tag.
    #[arg(required = true)]
    pub item: Vec<String>,
}

/// Shows the whole history of an item, what was taken back included.
///
/// # Errors
/// When no item or more than one matches.
pub fn cmd_log_show(app: &mut App<'_>, args: &ShowArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let line = app.item(&store, room.id, &args.item.join(" "))?;
    let entries = history::of_item(&store, room.id, line.id)?;
    if !app.ui.json {
        app.ui.say(&format!("{}: {}", line.name, state::words(&line)));
        if entries.is_empty() {
            app.ui.say("nothing was logged of it yet");
            return Ok(());
        }
    }
    app.rows(&history::HEADER, &history::rows(&entries, &line), || {
        let documents: Vec<Value> =
            entries.iter().map(|entry| Value::Object(entry.record.to_wire())).collect();
        json!({
            "item_id": line.id, "item": line.name, "state": line.state.state,
            "state_heads": line.state.state_heads, "state_contested": line.state.state_contested,
            "log_entries": documents,
        })
    })
}
