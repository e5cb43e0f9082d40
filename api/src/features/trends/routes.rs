//! `K/items/{item_id}/mass-trend` and `head-forecast`, each also as a picture, and `seen`.

use actix_web::{HttpResponse, get, web};
use chrono::NaiveDate;
use domain::ids::ItemId;
use domain::item_trends::{head_forecast, mass_trend};
use domain::loadout::see;
use domain::mass::ItemFacts;
use domain::picture;
use domain::time_zone::day;
use domain::wear_history::LogFact;
use domain::wire::head::HeadForecastView;
use domain::wire::item::ItemBody;
use domain::wire::loadout::SeenItem;
use domain::wire::mass_trend::MassTrendView;
use domain::wire::shape;
use serde::Deserialize;
use uuid::Uuid;

use crate::features::items::ITEMS;
use crate::features::kitrooms::access::KitroomAccess;
use crate::features::loadouts::kit::known_items;
use crate::features::loadouts::load;
use crate::features::records::resource::Address;
use crate::features::weighed;
use crate::platform::answer::{self, svg};
use crate::platform::auth::Now;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{Query, path_id};
use crate::platform::workers::Workers;

/// On which day, against which limit.
#[derive(Debug, Clone, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct HeadQuery {
    /// The day; today (UTC) when absent.
    #[serde(default)]
    on: Option<NaiveDate>,
    /// The head that is asked for, in millimetres of water; 10 000 when absent, which many organisers ask for (common
    /// practice).
    #[param(minimum = 1, maximum = 1_000_000)]
    #[serde(default)]
    limit_mm: Option<i64>,
}

/// What many organisers ask for: common practice.
const USUAL_LIMIT_MM: i64 = 10_000;

fn item_id(path: &str) -> Result<(Uuid, ItemId), ApiError> {
    let id = path_id(path)?;
    Ok((id, ItemId::new(id).map_err(|_| ApiError::not_found())?))
}

async fn trend(access: &KitroomAccess, path: &str, pool: &Pool) -> Result<MassTrendView, ApiError> {
    let (id, item_id) = item_id(path)?;
    let mut conn = db::connection(pool).await?;
    let item = ITEMS.find(&mut conn, access.kitroom, Address { id, parent: None }).await?.stored;
    let weighed = weighed::load(&mut conn, access.kitroom, &[id]).await?;
    let unreadable = || ApiError::internal("a stored record cannot be read", id);
    let body: ItemBody = shape::read(&item.body).map_err(|_| unreadable())?;
    let facts = ItemFacts::from_record(&item).ok_or_else(unreadable)?;
    Ok(mass_trend(body.name.as_str(), item_id, facts, &weighed.facts(), &weighed.evidence()))
}

/// How an item's mass moves over its weighings: a steady drift, a step, and whether it was the scale.
#[utoipa::path(
    tag = "condition",
    operation_id = "get_mass_trend",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item.")
    ),
    responses((status = 200, description = "The trend, or why there is none.", body = MassTrendView))
)]
#[get("/items/{item_id}/mass-trend")]
pub async fn get_mass_trend(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    answer::computed(&trend(&access, &path.1, &pool).await?)
}

/// The same as a picture.
#[utoipa::path(
    tag = "condition",
    operation_id = "get_mass_trend_picture",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item.")
    ),
    responses((
        status = 200,
        description = "The trend, drawn.",
        body = String,
        content_type = "image/svg+xml",
        example = "<svg xmlns=\"http://www.w3.org/2000/svg\"/>"
    ))
)]
#[get("/items/{item_id}/mass-trend.svg")]
pub async fn get_mass_trend_picture(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    Ok(svg(picture::mass_svg(&trend(&access, &path.1, &pool).await?)))
}

async fn forecast(
    access: &KitroomAccess,
    path: &str,
    query: HeadQuery,
    pool: &Pool,
    workers: &Workers,
    now: Now,
) -> Result<HeadForecastView, ApiError> {
    let (id, _) = item_id(path)?;
    let limit_mm = query.limit_mm.unwrap_or(USUAL_LIMIT_MM);
    if !(1..=1_000_000).contains(&limit_mm) {
        return Err(ApiError::field("?limit_mm", "out-of-range", "must be from 1 to 1000000 mm"));
    }
    let mut conn = db::connection(pool).await?;
    let gathered = load::load_items(&mut conn, access.kitroom, access.account.id, Some(&[id])).await?;
    let item = gathered.kind("item").first().ok_or_else(ApiError::not_found)?;
    let body: ItemBody = item.body()?;
    let mut log = LogFact::all(&gathered.stored("log_entry")?);
    // What was read besides only says what it replaces.
    log.retain(|fact| fact.body.item_id.uuid() == id);
    let on = query.on.unwrap_or_else(|| day(now.0, None));
    drop(conn);
    workers.brief(move || head_forecast(&body, &log, now.0, on, limit_mm as f64)).await
}

/// The waterproofness of an item on a day, from its head tests and its use, against a limit; a label predicts nothing.
#[utoipa::path(
    tag = "condition",
    operation_id = "get_head_forecast",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item."),
        HeadQuery
    ),
    responses((status = 200, description = "The forecast, or why there is none.", body = HeadForecastView))
)]
#[get("/items/{item_id}/head-forecast")]
pub async fn get_head_forecast(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    query: Query<HeadQuery>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    answer::computed(&forecast(&access, &path.1, query.0, &pool, &workers, now).await?)
}

/// The same as a picture.
#[utoipa::path(
    tag = "condition",
    operation_id = "get_head_forecast_picture",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item."),
        HeadQuery
    ),
    responses((
        status = 200,
        description = "The forecast, drawn.",
        body = String,
        content_type = "image/svg+xml",
        example = "<svg xmlns=\"http://www.w3.org/2000/svg\"/>"
    ))
)]
#[get("/items/{item_id}/head-forecast.svg")]
pub async fn get_head_forecast_picture(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    query: Query<HeadQuery>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    Ok(svg(picture::head_svg(&forecast(&access, &path.1, query.0, &pool, &workers, now).await?)))
}

/// An item as it is seen now, for the entry of a loadout in another kitroom: put it into the entry's `seen`.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "get_seen_item",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item.")
    ),
    responses((status = 200, description = "The item, its mass, its state, its head.", body = SeenItem))
)]
#[get("/items/{item_id}/seen")]
pub async fn get_seen_item(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let (id, item_id) = item_id(&path.1)?;
    let mut conn = db::connection(&pool).await?;
    let gathered = load::load_items(&mut conn, access.kitroom, access.account.id, Some(&[id])).await?;
    let items = known_items(&gathered, None, now.0)?;
    let item = items.get(&item_id).ok_or_else(ApiError::not_found)?;
    let item = item.clone();
    drop(conn);
    answer::worked_out(&workers, move || see(&item, now.0)).await
}
