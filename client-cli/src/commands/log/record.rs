//! Saving entries and saying what became of the items.

use domain::kinds::log_entry::KIND;
use domain::wire::log_entry::{ItemState, LogEntryBody, LogEvent};
use domain::wire::shape::{self, Object};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{advice, state, words};
use crate::app::App;
use crate::commands::{several, when};
use crate::error::{Error, Result};
use crate::local::{Draft, ItemLine};
use crate::render;

/// What was said on the command line.
#[derive(Debug, Clone)]
pub struct Said {
    /// Which items.
    pub items: Vec<String>,
    /// What happened.
    pub event: LogEvent,
    /// When.
    pub at: Option<String>,
    /// Anything worth knowing.
    pub note: Option<String>,
    /// The event's own fields.
    pub fields: Object,
}

/// Saves an entry for each item, all or none.
///
/// # Errors
/// When an item is not clear, or an entry is refused; then nothing is saved.
pub fn save(app: &mut App<'_>, said: &Said) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let observed_at = when::at(said.at.as_deref(), store.env().now())?;
    let wants_retired = said.event == LogEvent::Reinstate;
    let is_retired = |line: &ItemLine| line.state.state.name() == "retired";
    let lines = several::items(app, &store, room.id, &said.items, |line| is_retired(line) == wants_retired)?;
    if let Some(refusal) = lines.iter().find_map(|line| state::refusal(said.event, line)) {
        return Err(refusal);
    }
    let mut fields = said.fields.clone();
    if said.event == LogEvent::Retire && !fields.contains_key("reason") {
        fields.insert("reason".to_owned(), json!(state::ask_reason(app)?.name()));
    }
    let mut entries: Vec<(Uuid, ItemLine, Object)> = Vec::new();
    for line in lines {
        let mut body = fields.clone();
        body.insert("item_id".to_owned(), json!(line.id));
        body.insert("event".to_owned(), json!(said.event.name()));
        body.insert("observed_at".to_owned(), json!(observed_at));
        if let Some(note) = &said.note {
            body.insert("note".to_owned(), json!(note));
        }
        if said.event.sets().is_some() && !line.state.state_heads.is_empty() {
            body.insert("after".to_owned(), json!(line.state.state_heads));
        }
        entries.push((store.new_id(), line, body));
    }
    let drafts =
        entries.iter().map(|(id, _, body)| Draft::make(&KIND, *id, body)).collect::<Result<Vec<_>>>()?;
    store.act(room.id, &drafts)?;
    let (mut told, mut documents) = (Vec::new(), Vec::new());
    for (id, before, body) in &entries {
        let line = store.item(room.id, before.id)?.ok_or_else(|| Error::internal("the item has gone"))?;
        let entry: LogEntryBody =
            shape::read(body).map_err(|_| Error::internal("the entry cannot be read"))?;
        let day = said.at.as_ref().map(|_| format!(" on {}", render::long_day(observed_at)));
        // What an event says of the state itself is not said again.
        let said_so =
            said.event.sets().is_some_and(|set| set != ItemState::Serviceable && set == line.state.state);
        let now = match said_so && !line.state.state_contested {
            true => String::new(),
            false => format!("; it is {}", state::words(&line)),
        };
        let head = format!("{}: {}{}{now}", line.name, words::did(&entry), day.unwrap_or_default());
        told.push(render::wrapped(2, &head));
        let more = advice::after(&store, room.id, &entry, before, &line)?;
        told.extend(more.lines.iter().map(|words| format!("  {}", render::wrapped(2, words))));
        let mut document = body.clone();
        document.insert("id".to_owned(), json!(id));
        document.insert("item".to_owned(), json!(line.name));
        document.insert("state".to_owned(), json!(line.state.state));
        document.insert("state_contested".to_owned(), json!(line.state.state_contested));
        document.extend(more.document);
        documents.push(Value::Object(document));
    }
    let count = documents.len() as i64;
    let saved = if count == 1 { "1 entry".to_owned() } else { format!("{count} entries") };
    told.push(format!("{saved} saved on this device"));
    app.done(&told.join("\n"), || json!({ "kitroom": room.name, "entries": documents }))
}
