//! Check readings: what a scale shows for a known weight. Facts: appended, superseded, voided, never changed.

use diesel::sql_types::Uuid as SqlUuid;
use domain::ids::SittingId;
use domain::wire::check_reading::CheckReadingBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes, list_query};

/// The resource.
pub const CHECK_READINGS: Resource = Resource::new("check_reading", "check-readings", "check_reading_id");

list_query! {
    /// Which check readings.
    pub struct CheckReadingQuery {
        /// Only those of this sitting.
        #[param(value_type = Option<String>, format = Uuid)]
        sitting_id: Option<SittingId>,
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<CheckReadingQuery> {
    routes::routes::<CheckReadingBody>(&CHECK_READINGS, "weighing").narrowed(
        |query: CheckReadingQuery, select| match query.sitting_id {
            Some(sitting) => select.sql(" and r.sitting_id = ").bind::<SqlUuid, _>(sitting.uuid()),
            None => select,
        },
    )
}
