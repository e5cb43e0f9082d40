//! Weighings: one reading of one item on one scale. Facts: appended, superseded, voided, never changed.

use diesel::sql_types::Uuid as SqlUuid;
use domain::ids::ItemId;
use domain::wire::weighing::WeighingBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes, list_query};

/// The resource.
pub const WEIGHINGS: Resource = Resource::new("weighing", "weighings", "weighing_id");

list_query! {
    /// Which weighings.
    pub struct WeighingQuery {
        /// Only those of this item.
        #[param(value_type = Option<String>, format = Uuid)]
        item_id: Option<ItemId>,
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<WeighingQuery> {
    routes::routes::<WeighingBody>(&WEIGHINGS, "weighing").narrowed(
        |query: WeighingQuery, select| match query.item_id {
            Some(item) => select.sql(" and r.item_id = ").bind::<SqlUuid, _>(item.uuid()),
            None => select,
        },
    )
}
