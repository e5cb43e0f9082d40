//! Sittings: one session at a scale, whose check readings and weighings share one offset.

use domain::wire::sitting::SittingBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes};

/// The resource.
pub const SITTINGS: Resource = Resource::new("sitting", "sittings", "sitting_id");

/// Its operations.
#[must_use]
pub fn routes() -> Routes {
    routes::routes::<SittingBody>(&SITTINGS, "weighing")
}
