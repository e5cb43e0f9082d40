//! Loadouts: what one runner takes to one race, each answered with whether it may still change.

pub mod kit;
pub mod load;
pub mod routes;

use diesel::sql_types::Uuid as SqlUuid;
use domain::condition::LoadoutStateView;
use domain::ids::RaceId;
use domain::wire::loadout::LoadoutBody;

use super::records::resource::{Projection, Resource};
use super::records::routes::{Routes, list_query, routes as of};

/// The resource.
pub const LOADOUTS: Resource = Resource {
    projections: &[Projection { table: "loadout_states", key: "loadout_id", value: "state" }],
    ..Resource::new("loadout", "loadouts", "loadout_id")
};

list_query! {
    /// Which loadouts.
    pub struct LoadoutQuery {
        /// Only those for this race.
        #[param(value_type = Option<String>, format = Uuid)]
        race_id: Option<RaceId>,
    }
}

impl LoadoutQuery {
    /// The race.
    #[must_use]
    pub fn race(&self) -> Option<uuid::Uuid> {
        self.race_id.map(|race| race.uuid())
    }
}

/// Its operations.
#[must_use]
pub fn routes() -> Routes<LoadoutQuery> {
    of::<LoadoutBody>(&LOADOUTS, "loadouts").with_derived::<LoadoutStateView>().narrowed(
        |query: LoadoutQuery, select| match query.race_id {
            Some(race) => select.sql(" and r.race_id = ").bind::<SqlUuid, _>(race.uuid()),
            None => select,
        },
    )
}
