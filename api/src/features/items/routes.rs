//! `K/items`.

use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post, web};
use diesel::sql_types::Text;
use serde::Deserialize;

use super::ITEMS;
use crate::features::kitrooms::access::{KitroomAccess, KitroomWrite};
use crate::features::records::resource::PageQuery;
use crate::features::records::service;
use crate::openapi::bodies::{CreateItem, ItemList, ItemView, UpdateItem};
use crate::platform::auth::Now;
use crate::platform::db::Pool;
use crate::platform::error::ApiError;
use crate::platform::extract::{IdempotencyKey, IfMatch, JsonObject, MergePatch, Query, path_id};

/// Which items.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ItemQuery {
    /// How many; 100 when absent.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default)]
    limit: Option<i64>,
    /// Where the page begins: the `next_cursor` of the page before.
    #[serde(default)]
    cursor: Option<String>,
    /// Only this kind.
    #[param(example = "shell_jacket")]
    #[serde(default)]
    kind: Option<String>,
    /// Only this size, as the label says it.
    #[serde(default)]
    size: Option<String>,
    /// Only items with this in their name or tag, whatever the case.
    #[serde(default)]
    q: Option<String>,
}

/// Makes an item. The same request again finds what it made.
#[utoipa::path(
    tag = "kit",
    operation_id = "create_item",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("Idempotency-Key" = Option<String>, Header, description = "Makes a repetition without an id harmless.", max_length = 200)
    ),
    request_body = CreateItem,
    responses(
        (status = 201, description = "Stored.", body = ItemView),
        (status = 200, description = "It was stored before by the same request.", body = ItemView)
    )
)]
#[post("/items")]
pub async fn create_item(
    write: KitroomWrite,
    body: JsonObject,
    key: IdempotencyKey,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::create(&ITEMS, write, body.0, key, &pool, now.0).await
}

/// The kitroom's items, in the order of their ids.
#[utoipa::path(
    tag = "kit",
    operation_id = "list_items",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), ItemQuery),
    responses((status = 200, description = "A page.", body = ItemList))
)]
#[get("/items")]
pub async fn list_items(
    access: KitroomAccess,
    request: HttpRequest,
    query: Query<ItemQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let Query(query) = query;
    let page = PageQuery { limit: query.limit, cursor: query.cursor.clone() };
    service::list(&ITEMS, &access, &request, &page, &pool, |mut select| {
        if let Some(kind) = query.kind {
            select = select.sql(" and r.kind = ").bind::<Text, _>(kind);
        }
        if let Some(size) = query.size {
            select = select.sql(" and r.size = ").bind::<Text, _>(size);
        }
        if let Some(q) = query.q {
            let q = q.to_lowercase();
            select = select
                .sql(" and (position(")
                .bind::<Text, _>(q.clone())
                .sql(" in lower(r.name)) > 0 or position(")
                .bind::<Text, _>(q)
                .sql(" in lower(r.tag)) > 0)");
        }
        select
    })
    .await
}

/// One item.
#[utoipa::path(
    tag = "kit",
    operation_id = "get_item",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item.")
    ),
    responses((status = 200, description = "The item.", body = ItemView))
)]
#[get("/items/{item_id}")]
pub async fn get_item(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    request: HttpRequest,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    service::show(&ITEMS, &access, path_id(&path.1)?, &request, &pool).await
}

/// Changes some fields of an item.
#[utoipa::path(
    tag = "kit",
    operation_id = "update_item",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item."),
        ("If-Match" = String, Header, description = "The ETag that was read.")
    ),
    request_body(content = UpdateItem, content_type = "application/merge-patch+json"),
    responses((status = 200, description = "Changed.", body = ItemView))
)]
#[patch("/items/{item_id}")]
pub async fn update_item(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
    body: MergePatch,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::patch(&ITEMS, write, path_id(&path.1)?, &if_match, body.0, &pool, now.0).await
}

/// Deletes an item that no live record refers to.
#[utoipa::path(
    tag = "kit",
    operation_id = "delete_item",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("item_id" = String, Path, format = Uuid, description = "The item."),
        ("If-Match" = String, Header, description = "The ETag that was read, or *.")
    ),
    responses((status = 204, description = "Deleted."))
)]
#[delete("/items/{item_id}")]
pub async fn delete_item(
    write: KitroomWrite,
    path: web::Path<(String, String)>,
    if_match: IfMatch,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    service::delete(&ITEMS, write, path_id(&path.1)?, &if_match, &pool, now.0).await
}
