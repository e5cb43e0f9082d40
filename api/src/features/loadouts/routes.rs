//! What is computed of a loadout: `K/loadouts/{loadout_id}/mass`, `verdicts`, `lightest-set`, `comparison`, `snapshot`.

use std::time::Duration;

use actix_web::{HttpResponse, get, post, web};
use diesel_async::AsyncPgConnection;
use domain::ids::{KitroomId, LoadoutId};
use domain::lightest::Limits;
use domain::loadout::{self, LightestOptions, LoadoutFacts, OfferedItem};
use domain::time::Timestamp;
use domain::wire::lightest_set::{FindLightestSet, MAX_CANDIDATE_KITROOMS, MAX_TIME_LIMIT_S, TIME_LIMIT_S};
use domain::wire::loadout_answers::{
    LightestAnswer, LoadoutComparison, LoadoutMass, LoadoutMassInBrief, LoadoutVerdicts,
};
use domain::wire::problem::ErrorCode;
use domain::wire::seal::Snapshot;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::LoadoutQuery;
use super::kit::{Kit, known_items};
use super::load::{self, Items};
use crate::door;
use crate::features::kitrooms::access::KitroomAccess;
use crate::features::records::routes::ListQuery;
use crate::features::weighed;
use crate::platform::answer;
use crate::platform::auth::Now;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{Json, Query, path_id};
use crate::platform::paging;
use crate::platform::workers::Workers;

/// Of which moment.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct AsOf {
    /// Only what was observed by then counts; now when absent.
    #[serde(default)]
    as_of: Option<Timestamp>,
}

/// With what.
#[derive(Debug, Clone, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct Against {
    /// The loadout to compare with.
    #[param(value_type = String, format = Uuid)]
    with_id: LoadoutId,
}

/// The kit of some loadouts, with masses of then.
///
/// # Errors
/// As the database fails.
pub async fn kit(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    loadouts: &[Uuid],
    items: Items,
    as_of: Option<Timestamp>,
    now: Timestamp,
) -> Result<Kit, ApiError> {
    let records = load::load(conn, kitroom, loadouts, items).await?;
    let Some(as_of) = as_of.filter(|as_of| *as_of < now) else {
        return Kit::new(records, None, as_of.unwrap_or(now));
    };
    let items = records.gathered.stored("item")?;
    let ids: Vec<Uuid> = items.iter().map(|item| item.id).collect();
    let masses = weighed::load(conn, kitroom, &ids).await?.until(as_of).masses(&items);
    Kit::new(records, Some(&masses), as_of)
}

/// What the numbers of the loadout in the path hang on.
async fn facts(
    access: &KitroomAccess,
    loadout: &str,
    as_of: Option<Timestamp>,
    pool: &Pool,
    now: Timestamp,
) -> Result<LoadoutFacts, ApiError> {
    let id = path_id(loadout)?;
    let mut conn = db::connection(pool).await?;
    kit(&mut conn, access.kitroom, &[id], Items::Named, as_of, now).await?.facts(id, false)
}

/// A page of loadouts' masses.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct LoadoutMassList {
    /// The masses, in the order of the loadouts' ids.
    items: Vec<LoadoutMassInBrief>,
    /// Where the next page begins; null at the end.
    next_cursor: Option<String>,
}

/// How heavy the kitroom's loadouts are, in brief, in the order of their ids.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "list_loadout_masses",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), LoadoutQuery),
    responses((status = 200, description = "A page.", body = LoadoutMassList))
)]
#[get("/loadout-masses")]
pub async fn list_loadout_masses(
    access: KitroomAccess,
    query: Query<LoadoutQuery>,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let page = query.0.page();
    let limit = paging::limit(page.limit)?;
    let after = paging::after(access.kitroom, page.cursor.as_deref())?;
    let mut conn = db::connection(&pool).await?;
    let ids = load::page(&mut conn, access.kitroom, query.0.race(), after, limit + 1).await?;
    let (ids, next_cursor) = paging::page(ids, limit, access.kitroom, |id| *id);
    let kit = kit(&mut conn, access.kitroom, &ids, Items::Bare, None, now.0).await?;
    let mut items = Vec::with_capacity(ids.len());
    for id in ids {
        items.push(loadout::mass_in_brief(&kit.facts(id, false)?));
    }
    answer::computed(&LoadoutMassList { items, next_cursor })
}

/// How heavy a loadout is: carried over the course, in total, by reach, what the rules demand and what is own choice.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "get_loadout_mass",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("loadout_id" = String, Path, format = Uuid, description = "The loadout."),
        AsOf
    ),
    responses((status = 200, description = "Its mass.", body = LoadoutMass))
)]
#[get("/loadouts/{loadout_id}/mass")]
pub async fn get_loadout_mass(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    query: Query<AsOf>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let facts = facts(&access, &path.1, query.0.as_of, &pool, now.0).await?;
    answer::worked_out(&workers, move || loadout::mass(&facts)).await
}

/// The verdict on a loadout for each rule of its race's sheet.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "get_loadout_verdicts",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("loadout_id" = String, Path, format = Uuid, description = "The loadout."),
        AsOf
    ),
    responses((status = 200, description = "The verdicts.", body = LoadoutVerdicts))
)]
#[get("/loadouts/{loadout_id}/verdicts")]
pub async fn get_loadout_verdicts(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    query: Query<AsOf>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let facts = facts(&access, &path.1, query.0.as_of, &pool, now.0).await?;
    answer::worked_out(&workers, move || loadout::verdicts(&facts)).await
}

/// What a seal of a loadout would hold now: check it, then append it to the seals.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "get_loadout_snapshot",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("loadout_id" = String, Path, format = Uuid, description = "The loadout.")
    ),
    responses((status = 200, description = "The snapshot.", body = Snapshot))
)]
#[get("/loadouts/{loadout_id}/snapshot")]
pub async fn get_loadout_snapshot(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let facts = facts(&access, &path.1, None, &pool, now.0).await?;
    answer::worked_out(&workers, move || loadout::snapshot(&facts, now.0)).await
}

/// From a loadout to another one: what each adds or takes away, and whose verdicts differ.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "get_loadout_comparison",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("loadout_id" = String, Path, format = Uuid, description = "The loadout."),
        Against
    ),
    responses((status = 200, description = "The comparison.", body = LoadoutComparison))
)]
#[get("/loadouts/{loadout_id}/comparison")]
pub async fn get_loadout_comparison(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    query: Query<Against>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let (from, to) = (path_id(&path.1)?, query.0.with_id.uuid());
    let mut conn = db::connection(&pool).await?;
    let kit = kit(&mut conn, access.kitroom, &[from, to], Items::Named, None, now.0).await?;
    let from = kit.facts(from, false)?;
    let to = kit
        .facts(to, false)
        .map_err(|_| ApiError::field("?with_id", "unknown", "there is no such loadout in this kitroom"))?;
    drop(conn);
    answer::worked_out(&workers, move || loadout::compare(&from, &to)).await
}

/// The lightest set that meets every rule of the race and fits the vest, proven; nothing is changed.
#[utoipa::path(
    tag = "loadouts",
    operation_id = "find_lightest_set",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("loadout_id" = String, Path, format = Uuid, description = "The loadout.")
    ),
    request_body = FindLightestSet,
    responses((status = 200, description = "The set, or the rules to blame.", body = LightestAnswer))
)]
#[post("/loadouts/{loadout_id}/lightest-set")]
pub async fn find_lightest_set(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    body: Json<FindLightestSet>,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let (id, Json(asked)) = (path_id(&path.1)?, body);
    let seconds = asked.time_limit_s.unwrap_or(TIME_LIMIT_S);
    if !(1..=MAX_TIME_LIMIT_S).contains(&seconds) {
        let words = format!("must be from 1 to {MAX_TIME_LIMIT_S} seconds");
        return Err(ApiError::field("/time_limit_s", "out-of-range", words));
    }
    let candidates = asked.candidate_kitroom_ids.unwrap_or_default();
    if candidates.len() > MAX_CANDIDATE_KITROOMS {
        let words = format!("at most {MAX_CANDIDATE_KITROOMS} kitrooms");
        return Err(ApiError::field("/candidate_kitroom_ids", "too-many", words));
    }
    let mut conn = db::connection(&pool).await?;
    let kit = kit(&mut conn, access.kitroom, &[id], Items::All, None, now.0).await?;
    let mut facts = kit.facts(id, true)?;
    let offered = offered(&mut conn, &access, &candidates, now.0).await?;
    if let Some(owner) = kit.owner(id).filter(|_| !candidates.is_empty()) {
        // The set is the owner's to take, whoever asks.
        let ids: Vec<Uuid> = candidates.iter().map(|kitroom| kitroom.uuid()).collect();
        let open = door::open_to(&mut conn, owner, &ids).await?;
        facts.member_of.extend(candidates.iter().copied().filter(|kitroom| open.contains(&kitroom.uuid())));
    }
    drop(conn);
    let options = LightestOptions {
        vest_item_id: asked.vest_item_id,
        offered,
        keep_own_choice: asked.keep_own_choice == Some(true),
    };
    let limit = Duration::from_secs(seconds.into());
    let answer = workers
        .run(limit, move |deadline| {
            let mut over = || deadline.is_over();
            let mut limits = Limits::default().stop_when(&mut over);
            loadout::lightest(&facts, &options, &mut limits)
        })
        .await?;
    let answer = answer.map_err(|why| ApiError::new(ErrorCode::Conflict, why.to_string()))?;
    answer::computed(&answer)
}

/// The items of candidate kitrooms as they are seen now, each kitroom behind its own access check.
async fn offered(
    conn: &mut AsyncPgConnection,
    access: &KitroomAccess,
    candidates: &[KitroomId],
    now: Timestamp,
) -> Result<Vec<OfferedItem>, ApiError> {
    let ids: Vec<Uuid> = candidates.iter().map(|kitroom| kitroom.uuid()).collect();
    if ids.is_empty() {
        return Ok(Vec::new());
    }
    let open = door::open_to(conn, access.account.id, &ids).await?;
    if let Some(at) = ids.iter().position(|kitroom| !open.contains(kitroom)) {
        let words = "there is no such kitroom, or it is not shown to you";
        return Err(ApiError::field(&format!("/candidate_kitroom_ids/{at}"), "unknown", words));
    }
    let mut offered = Vec::new();
    for kitroom_id in candidates.iter().filter(|kitroom| kitroom.uuid() != access.kitroom) {
        let records = load::load_items(conn, kitroom_id.uuid(), access.account.id, None).await?;
        for (item_id, item) in known_items(&records, None, now)? {
            offered.push(OfferedItem { item_id, kitroom_id: *kitroom_id, seen: loadout::see(&item, now) });
        }
    }
    Ok(offered)
}
