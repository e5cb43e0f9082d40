//! `K/invitations`, and taking one up: `/v1/memberships`.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, delete, get, post, web};
use chrono::TimeDelta;
use diesel_async::AsyncConnection;
use domain::ids::KitroomId;
use domain::sync::op::Role;
use domain::time::Timestamp;
use domain::wire::member::{
    CreateInvitation, CreateMembership, InvitationList, InvitationView, MembershipView,
};
use uuid::Uuid;

use super::store;
use crate::features::kitrooms::access::KitroomAccess;
use crate::features::kitrooms::store as kitrooms;
use crate::features::members::store as members;
use crate::platform::auth::{Account, RecentLogin};
use crate::platform::clock::Clock;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{Json, path_id};
use crate::platform::limits::Limits;
use crate::platform::token;

/// How long an invitation is good when nothing is said, and at most, in hours.
const EXPIRES_H: u32 = 168;
const EXPIRES_AT_MOST_H: u32 = 720;

/// Invites somebody. The secret is in this answer and nowhere else. Inviting an owner takes a recent login.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "create_invitation",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom.")),
    request_body = CreateInvitation,
    responses((status = 201, description = "The invitation, with its secret.", body = InvitationView))
)]
#[post("/invitations")]
pub async fn create_invitation(
    access: KitroomAccess,
    body: Json<CreateInvitation>,
    recent: RecentLogin,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    access.require(Role::Owner)?;
    let Json(create) = body;
    let hours = create.expires_in_h.unwrap_or(EXPIRES_H);
    if !(1..=EXPIRES_AT_MOST_H).contains(&hours) {
        let words = format!("must be from 1 to {EXPIRES_AT_MOST_H}");
        return Err(ApiError::field("/expires_in_h", "out-of-range", words));
    }
    if create.role == Role::Owner {
        recent.require()?;
    }
    let secret =
        token::mint(token::INVITATION).map_err(|error| ApiError::internal("no randomness", error))?;
    let now = clock.now();
    let mut view = InvitationView {
        id: Uuid::now_v7(),
        role: create.role,
        note: create.note.map(Into::into),
        created_at: Timestamp::from_utc(now),
        expires_at: Timestamp::from_utc(now + TimeDelta::hours(hours.into())),
        token: None,
    };
    let mut conn = db::connection(&pool).await?;
    let kitroom = kitrooms::find_kitroom(&mut conn, access.kitroom, access.account.id).await?;
    members::fits(kitroom.purpose, create.role)?;
    store::insert_invitation(&mut conn, access.kitroom, access.account.id, &token::hash(&secret), &view)
        .await?;
    view.token = Some(secret);
    let location = format!("/v1/kitrooms/{}/invitations/{}", access.kitroom, view.id);
    Ok(HttpResponse::Created().insert_header((header::LOCATION, location)).json(view))
}

/// The open invitations of a kitroom, without their secrets.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "list_invitations",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom.")),
    responses((status = 200, description = "The invitations.", body = InvitationList))
)]
#[get("/invitations")]
pub async fn list_invitations(
    access: KitroomAccess,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    access.require(Role::Owner)?;
    let mut conn = db::connection(&pool).await?;
    let items = store::list_invitations(&mut conn, access.kitroom, clock.now()).await?;
    Ok(HttpResponse::Ok().json(InvitationList { items }))
}

/// Revokes an invitation.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "delete_invitation",
    params(
        ("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."),
        ("invitation_id" = String, Path, format = Uuid, description = "The invitation.")
    ),
    responses((status = 204, description = "Revoked."))
)]
#[delete("/invitations/{invitation_id}")]
pub async fn delete_invitation(
    access: KitroomAccess,
    path: web::Path<(String, String)>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    access.require(Role::Owner)?;
    let id = path_id(&path.1)?;
    let mut conn = db::connection(&pool).await?;
    if !store::revoke_invitation(&mut conn, access.kitroom, id, clock.now()).await? {
        return Err(ApiError::not_found());
    }
    Ok(HttpResponse::NoContent().finish())
}

/// Takes up an invitation with the account that asks.
#[utoipa::path(
    tag = "kitrooms",
    operation_id = "create_membership",
    request_body = CreateMembership,
    responses((status = 201, description = "A member now.", body = MembershipView))
)]
#[post("/memberships")]
pub async fn create_membership(
    request: HttpRequest,
    account: Account,
    body: Json<CreateMembership>,
    limits: web::Data<Limits>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    limits.address(&request)?;
    let (hash, now) = (token::hash(&body.0.invitation), clock.now());
    let mut conn = db::connection(&pool).await?;
    let accepted = conn.transaction(async |conn| store::accept(conn, &hash, account.id, now).await).await?;
    let (kitroom, role) = accepted;
    let kitroom_id = KitroomId::new(kitroom)
        .map_err(|error| ApiError::internal("a kitroom's id is none of ours", error))?;
    let location = format!("/v1/kitrooms/{kitroom}");
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, location))
        .json(MembershipView { kitroom_id, role }))
}
