//! `K/races/{race_id}/plan`.

use actix_web::{HttpResponse, get, web};
use domain::ids::{LoadoutId, RaceId};
use domain::loadout::{PlanOptions, plan};
use domain::wire::loadout_answers::RacePlan;
use domain::wire::race::RaceBody;
use domain::wire::runner::Runner;
use domain::wire::shape;
use serde::Deserialize;

use super::RACES;
use crate::features::kitrooms::access::KitroomAccess;
use crate::features::loadouts::load::Items;
use crate::features::loadouts::routes::kit;
use crate::features::records::resource::Address;
use crate::features::runner::store as runner;
use crate::platform::answer;
use crate::platform::auth::Now;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{Query, path_id};
use crate::platform::workers::Workers;

/// With which loadout.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PlanQuery {
    /// The loadout whose light, water and food are planned; without one only the course is.
    #[param(value_type = Option<String>, format = Uuid)]
    #[serde(default)]
    loadout_id: Option<LoadoutId>,
}

/// What a race's course asks of light, water, food and load. Body mass and walking threshold are those of whoever asks.
#[utoipa::path(
    tag = "races",
    operation_id = "get_race_plan",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("race_id" = String, Path, format = Uuid, description = "The race."),
        PlanQuery
    ),
    responses((status = 200, description = "The plan.", body = RacePlan))
)]
#[get("/races/{race_id}/plan")]
pub async fn get_race_plan(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    query: Query<PlanQuery>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let id = path_id(&path.1)?;
    let race_id = RaceId::new(id).map_err(|_| ApiError::not_found())?;
    let mut conn = db::connection(&pool).await?;
    let stored = RACES.find(&mut conn, access.kitroom, Address { id, parent: None }).await?.stored;
    let race: RaceBody = shape::read(&stored.body)
        .map_err(|_| ApiError::internal("a stored record cannot be read", stored.id))?;
    let Runner { body_mass_kg, walks_above_pct } = runner::find(&mut conn, access.account.id).await?.runner();
    let options = PlanOptions {
        body_mass_kg: body_mass_kg.map(|mass| mass.value()),
        walk_above: walks_above_pct.map(|gradient| gradient.value() / 100.0),
        ..PlanOptions::default()
    };
    let facts = match query.0.loadout_id {
        None => None,
        Some(loadout) => {
            let ids = [loadout.uuid()];
            let kit = kit(&mut conn, access.kitroom, &ids, Items::Named, None, now.0).await?;
            let unknown =
                || ApiError::field("?loadout_id", "unknown", "there is no such loadout in this kitroom");
            Some(kit.facts(loadout.uuid(), false).map_err(|_| unknown())?)
        }
    };
    drop(conn);
    answer::worked_out(&workers, move || plan(race_id, &race, facts.as_ref(), &options)).await
}
