//! `K/check-readings`.

use actix_web::{HttpRequest, HttpResponse, get, post, web};
use diesel::sql_types::Uuid as SqlUuid;
use domain::sync::merge::VoidReason;
use serde::Deserialize;

use super::CHECK_READINGS;
use crate::features::kitrooms::access::{KitroomAccess, KitroomWrite};
use crate::features::records::resource::PageQuery;
use crate::features::records::service;
use crate::openapi::bodies::{CheckReadingList, CheckReadingView, CreateCheckReading};
use crate::platform::auth::Now;
use crate::platform::db::Pool;
use crate::platform::error::ApiError;
use crate::platform::extract::{IdempotencyKey, JsonObject, Query, path_id};

/// Which check readings.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct CheckReadingQuery {
    /// How many; 100 when absent.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default)]
    limit: Option<i64>,
    /// Where the page begins: the `next_cursor` of the page before.
    #[serde(default)]
    cursor: Option<String>,
    /// Only those of this sitting.
    #[param(value_type = Option<String>, format = Uuid)]
    #[serde(default)]
    sitting_id: Option<domain::ids::SittingId>,
}

/// Appends a check reading. The same request again finds what it made.
#[utoipa::path(
    tag = "weighing",
    operation_id = "create_check_reading",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a repetition without an id harmless.", max_length = 200)
    ),
    request_body = CreateCheckReading,
    responses(
        (status = 201, description = "Stored.", body = CheckReadingView),
        (status = 200, description = "It was stored before by the same request.", body = CheckReadingView)
    )
)]
#[post("/check-readings")]
pub async fn create_check_reading(
    write: KitroomWrite,
    body: JsonObject,
    key: IdempotencyKey,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::create(&CHECK_READINGS, write, body.0, key, &pool, now.0).await
}

/// The kitroom's check readings, in the order of their ids.
#[utoipa::path(
    tag = "weighing",
    operation_id = "list_check_readings",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), CheckReadingQuery),
    responses((status = 200, description = "A page.", body = CheckReadingList))
)]
#[get("/check-readings")]
pub async fn list_check_readings(
    access: KitroomAccess,
    request: HttpRequest,
    query: Query<CheckReadingQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let Query(query) = query;
    let page = PageQuery { limit: query.limit, cursor: query.cursor.clone() };
    service::list(&CHECK_READINGS, &access, &request, &page, &pool, |select| match query.sitting_id {
        Some(sitting) => select.sql(" and r.sitting_id = ").bind::<SqlUuid, _>(sitting.uuid()),
        None => select,
    })
    .await
}

/// One check reading.
#[utoipa::path(
    tag = "weighing",
    operation_id = "get_check_reading",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("check_reading_id" = String, Path, format = Uuid, description = "The check reading.")
    ),
    responses((status = 200, description = "The check reading.", body = CheckReadingView))
)]
#[get("/check-readings/{check_reading_id}")]
pub async fn get_check_reading(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    request: HttpRequest,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    service::show(&CHECK_READINGS, &access, path_id(&path.1)?, &request, &pool).await
}

/// Voids a check reading: it stays in history and counts no more. Doing it again changes nothing.
#[utoipa::path(
    tag = "weighing",
    operation_id = "void_check_reading",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("check_reading_id" = String, Path, format = Uuid, description = "The check reading.")
    ),
    request_body = VoidReason,
    responses((status = 200, description = "Voided.", body = CheckReadingView))
)]
#[post("/check-readings/{check_reading_id}/void")]
pub async fn void_check_reading(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    body: JsonObject,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::void(&CHECK_READINGS, write, path_id(&path.1)?, body.0, &pool, now.0).await
}
