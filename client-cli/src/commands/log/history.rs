//! An item's condition history.

use std::collections::HashSet;

use domain::kinds;
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::log_entry::LogEntryBody;
use domain::wire::shape;
use uuid::Uuid;

use super::words;
use crate::commands::take_back::Fact;
use crate::error::Result;
use crate::local::{ItemLine, Store};
use crate::render;

/// An entry of the history.
#[derive(Debug, Clone)]
pub struct Entry {
    /// The record.
    pub record: Stored,
    /// What it says.
    pub body: LogEntryBody,
    /// Whether a later one stands in its place.
    pub replaced: bool,
}

impl Entry {
    /// Whether it counts.
    #[must_use]
    pub fn stands(&self) -> bool {
        self.record.is_live() && !self.replaced
    }
}

impl Fact for Entry {
    fn record(&self) -> Uuid {
        self.record.id
    }

    fn item(&self) -> Uuid {
        self.body.item_id.uuid()
    }

    fn observed_at(&self) -> Timestamp {
        self.body.observed_at
    }

    /// What, and the note.
    fn describe(&self) -> String {
        let note = self.body.note.as_ref().map(|note| format!(" ({})", render::cell(note.as_str())));
        format!("{}{}", words::did(&self.body), note.unwrap_or_default())
    }
}

/// The entries of an item, the newest first.
///
/// # Errors
/// When the store cannot be read.
pub fn of_item(store: &Store, room: Uuid, item: Uuid) -> Result<Vec<Entry>> {
    let records =
        store.referring(room, &kinds::log_entry::KIND, "item_id", (kinds::item::KIND.name, item))?;
    entries(store, room, records)
}

/// These records as entries, the newest first.
///
/// # Errors
/// When the store cannot be read.
pub fn entries(store: &Store, room: Uuid, records: Vec<Stored>) -> Result<Vec<Entry>> {
    let replaced: HashSet<Uuid> = store.replaced(room, &kinds::log_entry::KIND, &records)?;
    let mut entries: Vec<Entry> = records
        .into_iter()
        .filter_map(|record| {
            let body = shape::read::<LogEntryBody>(&record.body).ok()?;
            Some(Entry { replaced: replaced.contains(&record.id), record, body })
        })
        .collect();
    entries.sort_by_key(|entry| std::cmp::Reverse((entry.body.observed_at, entry.record.id)));
    Ok(entries)
}

/// The head of [`rows`].
pub const HEADER: [&str; 3] = ["on", "what", "counts"];

/// Entries as rows: when, what, and whether it counts.
#[must_use]
pub fn rows(entries: &[Entry], line: &ItemLine) -> Vec<Vec<String>> {
    let counts = |entry: &Entry| match &entry.record.voided {
        Some(voided) => format!("no: {}", voided.reason),
        None if entry.record.time_suspect => "no: its time lies ahead".to_owned(),
        None if entry.replaced => "no: replaced".to_owned(),
        None if line.state.state_contested && line.state.state_heads.contains(&entry.record.id) => {
            "yes; disagrees".to_owned()
        }
        None => "yes".to_owned(),
    };
    let row = |entry: &Entry| vec![render::minute(entry.body.observed_at), entry.describe(), counts(entry)];
    entries.iter().map(row).collect()
}
