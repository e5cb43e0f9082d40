//! `K/sittings`.

use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post, web};

use super::SITTINGS;
use crate::features::kitrooms::access::{KitroomAccess, KitroomWrite};
use crate::features::records::resource::PageQuery;
use crate::features::records::service;
use crate::openapi::bodies::{CreateSitting, SittingList, SittingView, UpdateSitting};
use crate::platform::auth::Now;
use crate::platform::db::Pool;
use crate::platform::error::ApiError;
use crate::platform::extract::{IdempotencyKey, IfMatch, JsonObject, MergePatch, Query, path_id};

/// Makes a sitting. The same request again finds what it made.
#[utoipa::path(
    tag = "weighing",
    operation_id = "create_sitting",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a repetition without an id harmless.", max_length = 200)
    ),
    request_body = CreateSitting,
    responses(
        (status = 201, description = "Stored.", body = SittingView),
        (status = 200, description = "It was stored before by the same request.", body = SittingView)
    )
)]
#[post("/sittings")]
pub async fn create_sitting(
    write: KitroomWrite,
    body: JsonObject,
    key: IdempotencyKey,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::create(&SITTINGS, write, body.0, key, &pool, now.0).await
}

/// The kitroom's sittings, in the order of their ids.
#[utoipa::path(
    tag = "weighing",
    operation_id = "list_sittings",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), PageQuery),
    responses((status = 200, description = "A page.", body = SittingList))
)]
#[get("/sittings")]
pub async fn list_sittings(
    access: KitroomAccess,
    request: HttpRequest,
    query: Query<PageQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let Query(query) = query;
    service::list(&SITTINGS, &access, &request, &query, &pool, |select| select).await
}

/// One sitting.
#[utoipa::path(
    tag = "weighing",
    operation_id = "get_sitting",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("sitting_id" = String, Path, format = Uuid, description = "The sitting.")
    ),
    responses((status = 200, description = "The sitting.", body = SittingView))
)]
#[get("/sittings/{sitting_id}")]
pub async fn get_sitting(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    request: HttpRequest,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    service::show(&SITTINGS, &access, path_id(&path.1)?, &request, &pool).await
}

/// Changes some fields of a sitting.
#[utoipa::path(
    tag = "weighing",
    operation_id = "update_sitting",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("sitting_id" = String, Path, format = Uuid, description = "The sitting."),
        ("If-Match" = String, Header, description = "The ETag that was read.")
    ),
    request_body(content = UpdateSitting, content_type = "application/merge-patch+json"),
    responses((status = 200, description = "Changed.", body = SittingView))
)]
#[patch("/sittings/{sitting_id}")]
pub async fn update_sitting(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
    body: MergePatch,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::patch(&SITTINGS, write, path_id(&path.1)?, &if_match, body.0, &pool, now.0).await
}

/// Deletes a sitting that no live record refers to.
#[utoipa::path(
    tag = "weighing",
    operation_id = "delete_sitting",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("sitting_id" = String, Path, format = Uuid, description = "The sitting."),
        ("If-Match" = String, Header, description = "The ETag that was read, or *.")
    ),
    responses((status = 204, description = "Deleted."))
)]
#[delete("/sittings/{sitting_id}")]
pub async fn delete_sitting(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::delete(&SITTINGS, write, path_id(&path.1)?, &if_match, &pool, now.0).await
}
