//! Stock entries: movements and counts of like units. Facts: appended, superseded, voided, never changed.

use diesel::sql_types::Uuid as SqlUuid;
use domain::ids::ItemId;
use domain::wire::stock_entry::StockEntryBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes, list_query};

/// The resource.
pub const STOCK_ENTRIES: Resource = Resource::new("stock_entry", "stock-entries", "stock_entry_id");

list_query! {
    /// Which stock entries.
    pub struct StockEntryQuery {
        /// Only those of this item.
        #[param(value_type = Option<String>, format = Uuid)]
        item_id: Option<ItemId>,
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<StockEntryQuery> {
    routes::routes::<StockEntryBody>(&STOCK_ENTRIES, "condition").narrowed(
        |query: StockEntryQuery, select| match query.item_id {
            Some(item) => select.sql(" and r.item_id = ").bind::<SqlUuid, _>(item.uuid()),
            None => select,
        },
    )
}
