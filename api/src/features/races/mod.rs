//! Races: when, where along, and by which rules.

pub mod routes;

use domain::wire::race::RaceBody;

use super::records::resource::Resource;
use super::records::routes::{Routes, routes as of};

/// The resource.
pub const RACES: Resource = Resource::new("race", "races", "race_id");

/// Its operations.
#[must_use]
pub fn routes() -> Routes {
    of::<RaceBody>(&RACES, "races")
}
