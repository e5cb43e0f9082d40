//! `K/scales`.

use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post, web};

use super::SCALES;
use crate::features::kitrooms::access::{KitroomAccess, KitroomWrite};
use crate::features::records::resource::PageQuery;
use crate::features::records::service;
use crate::openapi::bodies::{CreateScale, ScaleList, ScaleView, UpdateScale};
use crate::platform::auth::Now;
use crate::platform::db::Pool;
use crate::platform::error::ApiError;
use crate::platform::extract::{IdempotencyKey, IfMatch, JsonObject, MergePatch, Query, path_id};

/// Makes a scale. The same request again finds what it made.
#[utoipa::path(
    tag = "weighing",
    operation_id = "create_scale",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a repetition without an id harmless.", max_length = 200)
    ),
    request_body = CreateScale,
    responses(
        (status = 201, description = "Stored.", body = ScaleView),
        (status = 200, description = "It was stored before by the same request.", body = ScaleView)
    )
)]
#[post("/scales")]
pub async fn create_scale(
    write: KitroomWrite,
    body: JsonObject,
    key: IdempotencyKey,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::create(&SCALES, write, body.0, key, &pool, now.0).await
}

/// The kitroom's scales, in the order of their ids.
#[utoipa::path(
    tag = "weighing",
    operation_id = "list_scales",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), PageQuery),
    responses((status = 200, description = "A page.", body = ScaleList))
)]
#[get("/scales")]
pub async fn list_scales(
    access: KitroomAccess,
    request: HttpRequest,
    query: Query<PageQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let Query(query) = query;
    service::list(&SCALES, &access, &request, &query, &pool, |select| select).await
}

/// One scale.
#[utoipa::path(
    tag = "weighing",
    operation_id = "get_scale",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("scale_id" = String, Path, format = Uuid, description = "The scale.")
    ),
    responses((status = 200, description = "The scale.", body = ScaleView))
)]
#[get("/scales/{scale_id}")]
pub async fn get_scale(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    request: HttpRequest,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    service::show(&SCALES, &access, path_id(&path.1)?, &request, &pool).await
}

/// Changes some fields of a scale.
#[utoipa::path(
    tag = "weighing",
    operation_id = "update_scale",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("scale_id" = String, Path, format = Uuid, description = "The scale."),
        ("If-Match" = String, Header, description = "The ETag that was read.")
    ),
    request_body(content = UpdateScale, content_type = "application/merge-patch+json"),
    responses((status = 200, description = "Changed.", body = ScaleView))
)]
#[patch("/scales/{scale_id}")]
pub async fn update_scale(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
    body: MergePatch,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::patch(&SCALES, write, path_id(&path.1)?, &if_match, body.0, &pool, now.0).await
}

/// Deletes a scale that no live record refers to.
#[utoipa::path(
    tag = "weighing",
    operation_id = "delete_scale",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("scale_id" = String, Path, format = Uuid, description = "The scale."),
        ("If-Match" = String, Header, description = "The ETag that was read, or *.")
    ),
    responses((status = 204, description = "Deleted."))
)]
#[delete("/scales/{scale_id}")]
pub async fn delete_scale(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::delete(&SCALES, write, path_id(&path.1)?, &if_match, &pool, now.0).await
}
