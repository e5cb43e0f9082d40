//! Seals: a loadout as it stood on race day. Facts: appended, superseded, voided, never changed.

use diesel::sql_types::Uuid as SqlUuid;
use domain::ids::LoadoutId;
use domain::wire::seal::SealBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes, list_query};

/// The resource.
pub const SEALS: Resource = Resource::new("seal", "seals", "seal_id");

list_query! {
    /// Which seals.
    pub struct SealQuery {
        /// Only those of this loadout.
        #[param(value_type = Option<String>, format = Uuid)]
        loadout_id: Option<LoadoutId>,
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<SealQuery> {
    routes::routes::<SealBody>(&SEALS, "loadouts").narrowed(|query: SealQuery, select| {
        match query.loadout_id {
            Some(loadout) => select.sql(" and r.loadout_id = ").bind::<SqlUuid, _>(loadout.uuid()),
            None => select,
        }
    })
}
