//! `K/members`.

use actix_web::{HttpResponse, delete, get, patch, web};
use domain::sync::op::Role;
use domain::wire::member::{MemberList, MemberView, UpdateMember};
use domain::wire::problem::Problem;
use domain::wire::shape;

use super::store;
use crate::features::kitrooms::access::KitroomAccess;
use crate::features::records::resource::PageQuery;
use crate::platform::auth::RecentLogin;
use crate::platform::clock::Clock;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{MergePatch, Query, path_id};
use crate::platform::paging;

/// The members of a kitroom.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "list_members",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), PageQuery),
    responses((status = 200, description = "A page.", body = MemberList))
)]
#[get("/members")]
pub async fn list_members(
    access: KitroomAccess,
    query: Query<PageQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let limit = paging::limit(query.0.limit)?;
    let after = paging::after(access.kitroom, query.0.cursor.as_deref())?;
    let mut conn = db::connection(&pool).await?;
    let rows = store::list_members(&mut conn, access.kitroom, after, limit + 1).await?;
    let (items, next_cursor) = paging::page(rows, limit, access.kitroom, |member| member.account_id.uuid());
    Ok(HttpResponse::Ok().json(MemberList { items, next_cursor }))
}

/// Gives a member another role. Only an owner may; making an owner takes a recent login.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "update_member",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("account_id" = String, Path, format = Uuid, description = "The member.")
    ),
    request_body(content = UpdateMember, content_type = "application/merge-patch+json"),
    responses((status = 200, description = "The member.", body = MemberView))
)]
#[patch("/members/{account_id}")]
pub async fn update_member(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    body: MergePatch,
    recent: RecentLogin,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    access.require(Role::Owner)?;
    let account = path_id(&path.1)?;
    let update: UpdateMember = shape::read(&body.0).map_err(Problem::invalid)?;
    if update.role == Role::Owner {
        recent.require()?;
    }
    let mut conn = db::connection(&pool).await?;
    store::update_member(&mut conn, access.kitroom, access.account.id, account, update.role).await?;
    let found = store::list_members(&mut conn, access.kitroom, before(account), 1).await?;
    let member = found.into_iter().find(|member| member.account_id.uuid() == account);
    Ok(HttpResponse::Ok().json(member.ok_or_else(ApiError::not_found)?))
}

/// The id just before an id, so that a page after it begins with it.
fn before(id: uuid::Uuid) -> uuid::Uuid {
    uuid::Uuid::from_u128(id.as_u128().saturating_sub(1))
}

/// Removes a member, or leaves. Devices that hold the kitroom are told.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "delete_member",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("account_id" = String, Path, format = Uuid, description = "The member.")
    ),
    responses((status = 204, description = "No member any more."))
)]
#[delete("/members/{account_id}")]
pub async fn delete_member(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let account = path_id(&path.1)?;
    let mut conn = db::connection(&pool).await?;
    store::delete_member(&mut conn, access.kitroom, access.account.id, account, clock.now()).await?;
    Ok(HttpResponse::NoContent().finish())
}
