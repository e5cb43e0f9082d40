//! Memberships in the database. What changes them takes the kitroom's lock first, as the door does, so that a change of
//! records and a change of rights never cross.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncConnection, AsyncPgConnection, RunQueryDsl};
use domain::ids::AccountId;
use domain::sync::op::Role;
use domain::time::Timestamp;
use domain::wire::kitroom::Purpose;
use domain::wire::member::MemberView;
use domain::wire::problem::ErrorCode;
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::schema::{accounts, kitrooms, memberships};

/// The most members of a kitroom.
pub const AT_MOST: i64 = 1000;

type ViewRow = (Uuid, String, String, DateTime<Utc>);

fn role_of(name: &str) -> Result<Role, ApiError> {
    Role::from_name(name).ok_or_else(|| ApiError::internal("a role is unknown", name))
}

/// The members after an account, in the order of their accounts.
pub async fn list_members(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    after: Uuid,
    limit: i64,
) -> Result<Vec<MemberView>, ApiError> {
    let rows: Vec<ViewRow> = memberships::table
        .inner_join(accounts::table)
        .filter(memberships::kitroom_id.eq(kitroom))
        .filter(memberships::removed_at.is_null())
        .filter(memberships::account_id.gt(after))
        .order(memberships::account_id)
        .limit(limit)
        .select((accounts::id, accounts::name, memberships::role, memberships::created_at))
        .load(conn)
        .await?;
    rows.into_iter()
        .map(|(id, name, role, created_at)| {
            let account_id =
                AccountId::new(id).map_err(|e| ApiError::internal("an account's id is none of ours", e))?;
            Ok(MemberView {
                account_id,
                name,
                role: role_of(&role)?,
                created_at: Timestamp::from_utc(created_at),
            })
        })
        .collect()
}

/// Takes the kitroom's lock; answers what it is for.
///
/// # Errors
/// `not-found` when it is deleted.
pub async fn lock_kitroom(conn: &mut AsyncPgConnection, kitroom: Uuid) -> Result<Purpose, ApiError> {
    let purpose: Option<String> = kitrooms::table
        .find(kitroom)
        .filter(kitrooms::deleted_at.is_null())
        .select(kitrooms::purpose)
        .for_update()
        .first(conn)
        .await
        .optional()?;
    let purpose = purpose.ok_or_else(ApiError::not_found)?;
    Ok(if purpose == Purpose::Club.name() { Purpose::Club } else { Purpose::Personal })
}

/// The role of a member, read after the lock.
pub async fn find_role(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
) -> Result<Option<Role>, ApiError> {
    let role: Option<String> = memberships::table
        .find((kitroom, account))
        .filter(memberships::removed_at.is_null())
        .select(memberships::role)
        .first(conn)
        .await
        .optional()?;
    role.map(|role| role_of(&role)).transpose()
}

async fn another_owner(conn: &mut AsyncPgConnection, kitroom: Uuid, account: Uuid) -> Result<bool, ApiError> {
    let others = memberships::table
        .filter(memberships::kitroom_id.eq(kitroom))
        .filter(memberships::account_id.ne(account))
        .filter(memberships::role.eq(Role::Owner.name()))
        .filter(memberships::removed_at.is_null());
    Ok(others.count().get_result::<i64>(conn).await? > 0)
}

fn last_owner() -> ApiError {
    let words =
        "a kitroom keeps at least one owner; make somebody else an owner first, or delete the kitroom";
    ApiError::new(ErrorCode::LastOwner, words)
}

/// Which roles a kitroom has besides its first owner.
///
/// # Errors
/// `validation-failed` for a role that a personal kitroom does not have.
pub fn fits(purpose: Purpose, role: Role) -> Result<(), ApiError> {
    if purpose == Purpose::Personal && role != Role::Viewer {
        let words = "a personal kitroom has one owner, and viewers; make a club kitroom to share the work";
        return Err(ApiError::field("/role", "out-of-range", words));
    }
    Ok(())
}

/// Who acts on a membership, read under the kitroom's lock.
async fn require_owner(conn: &mut AsyncPgConnection, kitroom: Uuid, actor: Uuid) -> Result<(), ApiError> {
    match find_role(conn, kitroom, actor).await? {
        None => Err(ApiError::not_found()),
        Some(Role::Owner) => Ok(()),
        Some(_) => Err(ApiError::new(ErrorCode::Forbidden, "only an owner decides about members")),
    }
}

/// Gives a member another role.
///
/// # Errors
/// `not-found`, `forbidden`, `last-owner`, or a role that the kitroom does not have.
pub async fn update_member(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    actor: Uuid,
    account: Uuid,
    role: Role,
) -> Result<(), ApiError> {
    conn.transaction(async |conn| {
        let purpose = lock_kitroom(conn, kitroom).await?;
        require_owner(conn, kitroom, actor).await?;
        let before = find_role(conn, kitroom, account).await?.ok_or_else(ApiError::not_found)?;
        if before == role {
            return Ok(());
        }
        fits(purpose, role)?;
        if before == Role::Owner && !another_owner(conn, kitroom, account).await? {
            return Err(last_owner());
        }
        diesel::update(memberships::table.find((kitroom, account)))
            .set(memberships::role.eq(role.name()))
            .execute(conn)
            .await?;
        Ok(())
    })
    .await
}

/// Removes a member, or lets one go.
///
/// # Errors
/// `not-found`, `forbidden`, `last-owner`.
pub async fn delete_member(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    actor: Uuid,
    account: Uuid,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    conn.transaction(async |conn| {
        lock_kitroom(conn, kitroom).await?;
        if actor != account {
            require_owner(conn, kitroom, actor).await?;
        }
        let role = find_role(conn, kitroom, account).await?.ok_or_else(ApiError::not_found)?;
        if role == Role::Owner && !another_owner(conn, kitroom, account).await? {
            return Err(last_owner());
        }
        diesel::update(memberships::table.find((kitroom, account)))
            .set(memberships::removed_at.eq(now))
            .execute(conn)
            .await?;
        Ok(())
    })
    .await
}

/// Makes an account a member. Somebody who is one already keeps the greater role; somebody who was removed comes back.
///
/// # Errors
/// `quota-exceeded` when the kitroom is full.
pub async fn insert_member(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
    role: Role,
    now: DateTime<Utc>,
) -> Result<Role, ApiError> {
    let before = find_role(conn, kitroom, account).await?;
    let role = before.map_or(role, |before| before.max(role));
    let members = memberships::table
        .filter(memberships::kitroom_id.eq(kitroom))
        .filter(memberships::removed_at.is_null());
    if before.is_none() && members.count().get_result::<i64>(conn).await? >= AT_MOST {
        return Err(ApiError::new(
            ErrorCode::QuotaExceeded,
            format!("a kitroom has at most {AT_MOST} members"),
        ));
    }
    diesel::insert_into(memberships::table)
        .values((
            memberships::kitroom_id.eq(kitroom),
            memberships::account_id.eq(account),
            memberships::role.eq(role.name()),
            memberships::created_at.eq(now),
        ))
        .on_conflict((memberships::kitroom_id, memberships::account_id))
        .do_update()
        .set((memberships::role.eq(role.name()), memberships::removed_at.eq(None::<DateTime<Utc>>)))
        .execute(conn)
        .await?;
    Ok(role)
}
