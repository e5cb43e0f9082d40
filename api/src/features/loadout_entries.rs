//! The lines of loadouts, under their loadout.

use domain::wire::loadout::LoadoutEntryBody;

use super::records::resource::{Resource, Under};
use super::records::routes::{self, Routes};

/// The resource.
pub const LOADOUT_ENTRIES: Resource = Resource {
    under: Some(Under { kind: "loadout", segment: "loadouts", field: "loadout_id" }),
    ..Resource::new("loadout_entry", "entries", "entry_id")
};

/// Its operations.
#[must_use]
pub fn routes() -> Routes {
    routes::routes::<LoadoutEntryBody>(&LOADOUT_ENTRIES, "loadouts")
}
