//! Log entries: what happened to an item. Facts: appended, superseded, voided, never changed.

use diesel::sql_types::{Text, Uuid as SqlUuid};
use domain::ids::ItemId;
use domain::wire::log_entry::{LogEntryBody, LogEvent};

use super::records::resource::{Resource, SelectPage};
use super::records::routes::{self, Routes, list_query};

/// The resource.
pub const LOG_ENTRIES: Resource = Resource::new("log_entry", "log-entries", "log_entry_id");

list_query! {
    /// Which log entries.
    pub struct LogEntryQuery {
        /// Only those of this item.
        #[param(value_type = Option<String>, format = Uuid)]
        item_id: Option<ItemId>,
        /// Only this event.
        event: Option<LogEvent>,
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<LogEntryQuery> {
    routes::routes::<LogEntryBody>(&LOG_ENTRIES, "condition").narrowed(narrow)
}

fn narrow(query: LogEntryQuery, mut select: SelectPage) -> SelectPage {
    if let Some(item) = query.item_id {
        select = select.sql(" and r.item_id = ").bind::<SqlUuid, _>(item.uuid());
    }
    if let Some(event) = query.event {
        select = select.sql(" and r.event = ").bind::<Text, _>(event.name());
    }
    select
}
