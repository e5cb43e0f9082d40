//! Scales. Resolution and capacity are write-once: another resolution is another scale.

use domain::wire::scale::ScaleBody;

use super::records::resource::Resource;
use super::records::routes::{self, Routes};

/// The resource.
pub const SCALES: Resource = Resource::new("scale", "scales", "scale_id");

/// Its operations.
#[must_use]
pub fn routes() -> Routes {
    routes::routes::<ScaleBody>(&SCALES, "weighing")
}
