//! A page of changes as it goes into the store: the records stay text.

use domain::sync::client::PageHead;
use domain::wire::sync::{Change, ChangesPage};
use serde::Deserialize;
use serde_json::value::{RawValue, to_raw_value};
use uuid::Uuid;

/// One record as it stands.
#[derive(Debug, Clone, Deserialize)]
pub struct Row {
    /// The number of its last change.
    pub seq: i64,
    /// Its kind.
    pub kind: String,
    /// Its id.
    pub id: Uuid,
    /// Whether it is deleted; then there is no record.
    pub deleted: bool,
    /// Its stored fields.
    #[serde(default)]
    pub record: Option<Box<RawValue>>,
}

impl Row {
    /// The stored fields as JSON.
    #[must_use]
    pub fn text(&self) -> Option<&str> {
        self.record.as_deref().map(RawValue::get)
    }
}

/// A page.
#[derive(Debug, Clone, Deserialize)]
pub struct Page {
    /// The kitroom's epoch.
    pub epoch: Uuid,
    /// The records that changed after the cursor, in the order of their last change.
    #[serde(rename = "changes")]
    pub rows: Vec<Row>,
    /// Where to go on.
    pub next_cursor: String,
    /// Whether there is more now.
    pub has_more: bool,
    /// The number of the kitroom's last change, as this page saw it.
    pub head_seq: i64,
}

impl Page {
    /// What the sync machine needs of it.
    #[must_use]
    pub fn head(&self) -> PageHead {
        PageHead {
            epoch: self.epoch,
            rows: self.rows.iter().map(|row| (row.id, row.seq)).collect(),
            next_cursor: self.next_cursor.clone(),
            has_more: self.has_more,
            head_seq: self.head_seq,
        }
    }
}

impl From<Change> for Row {
    fn from(change: Change) -> Self {
        let Change { seq, kind, id, deleted, record } = change;
        Self { seq, kind, id, deleted, record: record.and_then(|record| to_raw_value(&record).ok()) }
    }
}

impl From<ChangesPage> for Page {
    fn from(page: ChangesPage) -> Self {
        let ChangesPage { epoch, changes, next_cursor, has_more, head_seq } = page;
        Self { epoch, rows: changes.into_iter().map(Row::from).collect(), next_cursor, has_more, head_seq }
    }
}
