//! `/v1/kitrooms`.

use actix_web::http::header;
use actix_web::{HttpResponse, delete, get, patch, post, web};
use domain::sync::op::Role;
use domain::wire::kitroom::{CreateKitroom, KitroomList, KitroomView, UpdateKitroom};
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::shape;
use uuid::Uuid;

use super::access::KitroomAccess;
use super::store;
use crate::features::records::idempotency;
use crate::features::records::resource::PageQuery;
use crate::platform::auth::{Account, RecentLogin};
use crate::platform::clock::Clock;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{IdempotencyKey, IfMatch, Json, MergePatch, Query, tag};
use crate::platform::limits::Bounds;
use crate::platform::paging;

fn respond(mut response: actix_web::HttpResponseBuilder, view: &KitroomView) -> HttpResponse {
    response.insert_header((header::ETAG, tag(view.epoch, view.version, 0))).json(view)
}

/// Makes a kitroom; whoever makes it owns it.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "create_kitroom",
    params(("Idempotency-Key" = Option<String>, Header, description = "Makes a repetition without an id harmless.", max_length = 200)),
    request_body = CreateKitroom,
    responses(
        (status = 201, description = "Made.", body = KitroomView),
        (status = 200, description = "It was made before by the same request.", body = KitroomView)
    )
)]
#[post("/kitrooms")]
pub async fn create_kitroom(
    account: Account,
    body: Json<CreateKitroom>,
    key: IdempotencyKey,
    bounds: web::Data<Bounds>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let now = clock.now();
    let id = match body.0.id {
        Some(id) => id.uuid(),
        None => idempotency::ids(&mut conn, account.id, &key, Uuid::now_v7(), now).await?.record_id,
    };
    let new =
        store::insert_kitroom(&mut conn, account.id, id, &body.0, bounds.kitrooms_per_account, now).await?;
    let view = store::find_kitroom(&mut conn, id, account.id).await?;
    let mut response = if new { HttpResponse::Created() } else { HttpResponse::Ok() };
    response.insert_header((header::LOCATION, format!("/v1/kitrooms/{id}")));
    Ok(respond(response, &view))
}

/// The account's kitrooms.
#[utoipa::path(tag = "kitrooms", operation_id = "list_kitrooms", params(PageQuery), responses((status = 200, description = "A page of kitrooms.", body = KitroomList)))]
#[get("/kitrooms")]
pub async fn list_kitrooms(
    account: Account,
    query: Query<PageQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let limit = paging::limit(query.0.limit)?;
    let after = paging::after(account.id, query.0.cursor.as_deref())?;
    let mut conn = db::connection(&pool).await?;
    let rows = store::list_kitrooms(&mut conn, account.id, after, limit + 1).await?;
    let (items, next_cursor) = paging::page(rows, limit, account.id, |view| view.id.uuid());
    Ok(HttpResponse::Ok().json(KitroomList { items, next_cursor }))
}

/// One kitroom.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "get_kitroom",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom.")),
    responses((status = 200, description = "The kitroom.", body = KitroomView))
)]
#[get("/kitrooms/{kitroom_id}")]
pub async fn get_kitroom(access: KitroomAccess, pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let view = store::find_kitroom(&mut conn, access.kitroom, access.account.id).await?;
    Ok(respond(HttpResponse::Ok(), &view))
}

fn expected(if_match: &IfMatch, view: &KitroomView) -> Result<i64, ApiError> {
    match if_match {
        IfMatch::Missing => Err(ApiError::new(
            ErrorCode::PreconditionRequired,
            "send If-Match with the ETag that you have read",
        )),
        IfMatch::Version { epoch, version } if *epoch == view.epoch && *version == view.version => {
            Ok(*version)
        }
        _ => {
            let words = format!("it is at version {} now; read it again", view.version);
            let current = serde_json::to_value(view).unwrap_or_default();
            Err(Problem::new(ErrorCode::PreconditionFailed, words).with("current", current).into())
        }
    }
}

/// Renames a kitroom.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "update_kitroom",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("If-Match" = String, Header, description = "The ETag that was read.")
    ),
    request_body(content = UpdateKitroom, content_type = "application/merge-patch+json"),
    responses((status = 200, description = "Renamed.", body = KitroomView))
)]
#[patch("/kitrooms/{kitroom_id}")]
pub async fn update_kitroom(
    access: KitroomAccess,
    patch: MergePatch,
    if_match: IfMatch,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    access.require(Role::Owner)?;
    if patch.0.get("name").is_some_and(serde_json::Value::is_null) {
        return Err(ApiError::field("/name", "missing", "a kitroom keeps a name"));
    }
    let update: UpdateKitroom = shape::read(&patch.0).map_err(Problem::invalid)?;
    let mut conn = db::connection(&pool).await?;
    let view = store::find_kitroom(&mut conn, access.kitroom, access.account.id).await?;
    let version = expected(&if_match, &view)?;
    if let Some(name) = update.name
        && !store::update_kitroom(&mut conn, access.kitroom, version, name.as_str()).await?
    {
        let words = "it was changed at the same moment; read it again";
        return Err(ApiError::new(ErrorCode::PreconditionFailed, words));
    }
    let view = store::find_kitroom(&mut conn, access.kitroom, access.account.id).await?;
    Ok(respond(HttpResponse::Ok(), &view))
}

/// Deletes a kitroom for all its members. Takes a recent login.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "delete_kitroom",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("If-Match" = String, Header, description = "The ETag that was read, or *.")
    ),
    responses((status = 204, description = "Deleted."))
)]
#[delete("/kitrooms/{kitroom_id}")]
pub async fn delete_kitroom(
    access: KitroomAccess,
    if_match: IfMatch,
    recent: RecentLogin,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    access.require(Role::Owner)?;
    recent.require()?;
    let mut conn = db::connection(&pool).await?;
    let version = match if_match {
        IfMatch::Any => None,
        other => {
            let view = store::find_kitroom(&mut conn, access.kitroom, access.account.id).await?;
            Some(expected(&other, &view)?)
        }
    };
    if store::delete_kitroom(&mut conn, access.kitroom, version, clock.now()).await? {
        Ok(HttpResponse::NoContent().finish())
    } else {
        Err(ApiError::new(ErrorCode::PreconditionFailed, "it was changed at the same moment; read it again"))
    }
}
