//! `K/weighings`.

use actix_web::{HttpRequest, HttpResponse, get, post, web};
use diesel::sql_types::Uuid as SqlUuid;
use domain::sync::merge::VoidReason;
use serde::Deserialize;

use super::WEIGHINGS;
use crate::features::kitrooms::access::{KitroomAccess, KitroomWrite};
use crate::features::records::resource::PageQuery;
use crate::features::records::service;
use crate::openapi::bodies::{CreateWeighing, WeighingList, WeighingView};
use crate::platform::auth::Now;
use crate::platform::db::Pool;
use crate::platform::error::ApiError;
use crate::platform::extract::{IdempotencyKey, JsonObject, Query, path_id};

/// Which weighings.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct WeighingQuery {
    /// How many; 100 when absent.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default)]
    limit: Option<i64>,
    /// Where the page begins: the `next_cursor` of the page before.
    #[serde(default)]
    cursor: Option<String>,
    /// Only those of this item.
    #[param(value_type = Option<String>, format = Uuid)]
    #[serde(default)]
    item_id: Option<domain::ids::ItemId>,
}

/// Appends a weighing. The same request again finds what it made.
#[utoipa::path(
    tag = "weighing",
    operation_id = "create_weighing",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a repetition without an id harmless.", max_length = 200)
    ),
    request_body = CreateWeighing,
    responses(
        (status = 201, description = "Stored.", body = WeighingView),
        (status = 200, description = "It was stored before by the same request.", body = WeighingView)
    )
)]
#[post("/weighings")]
pub async fn create_weighing(
    write: KitroomWrite,
    body: JsonObject,
    key: IdempotencyKey,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::create(&WEIGHINGS, write, body.0, key, &pool, now.0).await
}

/// The kitroom's weighings, in the order of their ids.
#[utoipa::path(
    tag = "weighing",
    operation_id = "list_weighings",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), WeighingQuery),
    responses((status = 200, description = "A page.", body = WeighingList))
)]
#[get("/weighings")]
pub async fn list_weighings(
    access: KitroomAccess,
    request: HttpRequest,
    query: Query<WeighingQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let Query(query) = query;
    let page = PageQuery { limit: query.limit, cursor: query.cursor.clone() };
    service::list(&WEIGHINGS, &access, &request, &page, &pool, |select| match query.item_id {
        Some(item) => select.sql(" and r.item_id = ").bind::<SqlUuid, _>(item.uuid()),
        None => select,
    })
    .await
}

/// One weighing.
#[utoipa::path(
    tag = "weighing",
    operation_id = "get_weighing",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("weighing_id" = String, Path, format = Uuid, description = "The weighing.")
    ),
    responses((status = 200, description = "The weighing.", body = WeighingView))
)]
#[get("/weighings/{weighing_id}")]
pub async fn get_weighing(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    request: HttpRequest,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    service::show(&WEIGHINGS, &access, path_id(&path.1)?, &request, &pool).await
}

/// Voids a weighing: it stays in history and counts no more. Doing it again changes nothing.
#[utoipa::path(
    tag = "weighing",
    operation_id = "void_weighing",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("weighing_id" = String, Path, format = Uuid, description = "The weighing.")
    ),
    request_body = VoidReason,
    responses((status = 200, description = "Voided.", body = WeighingView))
)]
#[post("/weighings/{weighing_id}/void")]
pub async fn void_weighing(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    body: JsonObject,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::void(&WEIGHINGS, write, path_id(&path.1)?, body.0, &pool, now.0).await
}
