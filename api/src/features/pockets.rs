//! Pockets of a vest or a bag: what fits where, and how fast it is at hand.

use domain::wire::pocket::PocketBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes};

/// The resource.
pub const POCKETS: Resource = Resource::new("pocket", "pockets", "pocket_id");

/// Its operations.
#[must_use]
pub fn routes() -> Routes {
    routes::routes::<PocketBody>(&POCKETS, "kit")
}
