//! Seasons: spans of days that a ledger compares.

use domain::wire::season::SeasonBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes};

/// The resource.
pub const SEASONS: Resource = Resource::new("season", "seasons", "season_id");

/// Its operations.
#[must_use]
pub fn routes() -> Routes {
    routes::routes::<SeasonBody>(&SEASONS, "races")
}
