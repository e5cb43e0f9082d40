//! Invitations in the database.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::sync::op::Role;
use domain::time::Timestamp;
use domain::wire::member::InvitationView;
use domain::wire::problem::ErrorCode;
use uuid::Uuid;

use crate::features::members::store as members;
use crate::platform::error::ApiError;
use crate::schema::invitations;

/// The most open invitations of a kitroom.
const AT_MOST: i64 = 200;

type ViewRow = (Uuid, String, Option<String>, DateTime<Utc>, DateTime<Utc>);

fn view((id, role, note, created_at, expires_at): ViewRow) -> Result<InvitationView, ApiError> {
    let role = Role::from_name(&role).ok_or_else(|| ApiError::internal("a role is unknown", &role))?;
    let (created_at, expires_at) = (Timestamp::from_utc(created_at), Timestamp::from_utc(expires_at));
    Ok(InvitationView { id, role, note, created_at, expires_at, token: None })
}

/// The open invitations of a kitroom, oldest first.
pub async fn list_invitations(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    now: DateTime<Utc>,
) -> Result<Vec<InvitationView>, ApiError> {
    let rows: Vec<ViewRow> = invitations::table
        .filter(invitations::kitroom_id.eq(kitroom))
        .filter(invitations::accepted_at.is_null())
        .filter(invitations::revoked_at.is_null())
        .filter(invitations::expires_at.gt(now))
        .order(invitations::id)
        .select((
            invitations::id,
            invitations::role,
            invitations::note,
            invitations::created_at,
            invitations::expires_at,
        ))
        .load(conn)
        .await?;
    rows.into_iter().map(view).collect()
}

/// A new invitation.
///
/// # Errors
/// `quota-exceeded` when there are too many open ones.
pub async fn insert_invitation(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    author: Uuid,
    hash: &[u8; 32],
    new: &InvitationView,
) -> Result<(), ApiError> {
    let now = new.created_at.utc();
    if list_invitations(conn, kitroom, now).await?.len() as i64 >= AT_MOST {
        let words =
            format!("a kitroom has at most {AT_MOST} open invitations; revoke one that is not needed");
        return Err(ApiError::new(ErrorCode::QuotaExceeded, words));
    }
    diesel::insert_into(invitations::table)
        .values((
            invitations::id.eq(new.id),
            invitations::kitroom_id.eq(kitroom),
            invitations::token_hash.eq(&hash[..]),
            invitations::role.eq(new.role.name()),
            invitations::note.eq(new.note.as_deref()),
            invitations::created_by.eq(author),
            invitations::created_at.eq(now),
            invitations::expires_at.eq(new.expires_at.utc()),
        ))
        .execute(conn)
        .await?;
    Ok(())
}

/// Revokes an open invitation; answers whether there was one.
pub async fn revoke_invitation(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    id: Uuid,
    now: DateTime<Utc>,
) -> Result<bool, ApiError> {
    let open = invitations::table
        .filter(invitations::id.eq(id))
        .filter(invitations::kitroom_id.eq(kitroom))
        .filter(invitations::accepted_at.is_null())
        .filter(invitations::revoked_at.is_null());
    Ok(diesel::update(open).set(invitations::revoked_at.eq(now)).execute(conn).await? > 0)
}

fn invalid() -> ApiError {
    let words = "ask whoever invited you for a new one";
    ApiError::new(ErrorCode::InvitationInvalid, words)
}

/// Whether an invitation could be accepted now, before the work of making an account for it.
///
/// # Errors
/// `invitation-invalid`.
pub async fn require_open(
    conn: &mut AsyncPgConnection,
    hash: &[u8; 32],
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    let open: Option<Uuid> = invitations::table
        .filter(invitations::token_hash.eq(&hash[..]))
        .filter(invitations::accepted_at.is_null())
        .filter(invitations::revoked_at.is_null())
        .filter(invitations::expires_at.gt(now))
        .select(invitations::id)
        .first(conn)
        .await
        .optional()?;
    open.map(drop).ok_or_else(invalid)
}

/// Accepts an invitation for an account, inside the caller's transaction. The one statement that marks it accepted also
/// decides who of many was first. The same account again finds what it got.
///
/// # Errors
/// `invitation-invalid` when it is unknown, used by somebody else, revoked, expired, or its author is no owner any more.
pub async fn accept(
    conn: &mut AsyncPgConnection,
    hash: &[u8; 32],
    account: Uuid,
    now: DateTime<Utc>,
) -> Result<(Uuid, Role), ApiError> {
    let open = invitations::table
        .filter(invitations::token_hash.eq(&hash[..]))
        .filter(invitations::accepted_at.is_null())
        .filter(invitations::revoked_at.is_null())
        .filter(invitations::expires_at.gt(now));
    let taken: Option<(Uuid, String, Uuid)> = diesel::update(open)
        .set((invitations::accepted_at.eq(now), invitations::accepted_by.eq(account)))
        .returning((invitations::kitroom_id, invitations::role, invitations::created_by))
        .get_result(conn)
        .await
        .optional()?;
    if let Some((kitroom, role, author)) = taken {
        let role = Role::from_name(&role).ok_or_else(|| ApiError::internal("a role is unknown", &role))?;
        let purpose = members::lock_kitroom(conn, kitroom).await.map_err(|_| invalid())?;
        // Whoever no longer decides about members has no way back in, nor for others, by an invitation kept aside.
        if members::find_role(conn, kitroom, author).await? != Some(Role::Owner) {
            return Err(invalid());
        }
        members::fits(purpose, role)?;
        let role = members::insert_member(conn, kitroom, account, role, now).await?;
        return Ok((kitroom, role));
    }
    let own: Option<Uuid> = invitations::table
        .filter(invitations::token_hash.eq(&hash[..]))
        .filter(invitations::accepted_by.eq(account))
        .select(invitations::kitroom_id)
        .first(conn)
        .await
        .optional()?;
    let kitroom = own.ok_or_else(invalid)?;
    let role = members::find_role(conn, kitroom, account).await?.ok_or_else(invalid)?;
    Ok((kitroom, role))
}
