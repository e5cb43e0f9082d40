//! Kitrooms in the database. Every statement joins the account's membership.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncConnection, AsyncPgConnection, RunQueryDsl};
use domain::ids::KitroomId;
use domain::sync::op::Role;
use domain::time::Timestamp;
use domain::wire::kitroom::{CreateKitroom, KitroomView, Purpose};
use domain::wire::problem::{ErrorCode, Problem};
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::schema::{accounts, kitrooms, memberships};

type ViewRow = (Uuid, String, String, String, i64, Uuid, i64, DateTime<Utc>);

const VIEW: (
    kitrooms::id,
    kitrooms::name,
    kitrooms::purpose,
    memberships::role,
    kitrooms::version,
    kitrooms::epoch,
    kitrooms::head_seq,
    kitrooms::created_at,
) = (
    kitrooms::id,
    kitrooms::name,
    kitrooms::purpose,
    memberships::role,
    kitrooms::version,
    kitrooms::epoch,
    kitrooms::head_seq,
    kitrooms::created_at,
);

fn view(row: ViewRow) -> Result<KitroomView, ApiError> {
    let (id, name, purpose, role, version, epoch, head_seq, created_at) = row;
    let id =
        KitroomId::new(id).map_err(|error| ApiError::internal("a kitroom's id is none of ours", error))?;
    let purpose = if purpose == Purpose::Club.name() { Purpose::Club } else { Purpose::Personal };
    let role = Role::from_name(&role).ok_or_else(|| ApiError::internal("a role is unknown", &role))?;
    let created_at = Timestamp::from_utc(created_at);
    Ok(KitroomView { id, name, purpose, role, version, epoch, head_seq, created_at })
}

/// The account's role in a kitroom, and the kitroom's epoch.
pub async fn find_membership(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
) -> Result<Option<(Role, Uuid)>, ApiError> {
    let row: Option<(String, Uuid)> = memberships::table
        .inner_join(kitrooms::table)
        .filter(memberships::kitroom_id.eq(kitroom))
        .filter(memberships::account_id.eq(account))
        .filter(memberships::removed_at.is_null())
        .filter(kitrooms::deleted_at.is_null())
        .select((memberships::role, kitrooms::epoch))
        .first(conn)
        .await
        .optional()?;
    row.map(|(role, epoch)| {
        let role = Role::from_name(&role).ok_or_else(|| ApiError::internal("a role is unknown", &role))?;
        Ok((role, epoch))
    })
    .transpose()
}

/// One of the account's kitrooms.
pub async fn find_kitroom(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
) -> Result<KitroomView, ApiError> {
    let row: Option<ViewRow> = memberships::table
        .inner_join(kitrooms::table)
        .filter(memberships::kitroom_id.eq(kitroom))
        .filter(memberships::account_id.eq(account))
        .filter(memberships::removed_at.is_null())
        .filter(kitrooms::deleted_at.is_null())
        .select(VIEW)
        .first(conn)
        .await
        .optional()?;
    row.map(view).transpose()?.ok_or_else(ApiError::not_found)
}

/// The account's kitrooms after an id, in the order of their ids.
pub async fn list_kitrooms(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    after: Uuid,
    limit: i64,
) -> Result<Vec<KitroomView>, ApiError> {
    let rows: Vec<ViewRow> = memberships::table
        .inner_join(kitrooms::table)
        .filter(memberships::account_id.eq(account))
        .filter(memberships::removed_at.is_null())
        .filter(kitrooms::deleted_at.is_null())
        .filter(kitrooms::id.gt(after))
        .order(kitrooms::id)
        .limit(limit)
        .select(VIEW)
        .load(conn)
        .await?;
    rows.into_iter().map(view).collect()
}

/// Makes a kitroom with the account as its owner; answers whether it is new. The same request again finds what it made.
///
/// # Errors
/// `conflict` when the id is taken; `quota-exceeded` when the account owns as many as it may; `personal-exists` with its id when the account owns a personal kitroom already.
pub async fn insert_kitroom(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    id: Uuid,
    create: &CreateKitroom,
    at_most: i64,
    now: DateTime<Utc>,
) -> Result<bool, ApiError> {
    conn.transaction(async |conn| {
        // Two devices of one account that link at once stand in line here.
        accounts::table.find(account).select(accounts::id).for_update().first::<Uuid>(conn).await?;
        let taken: Option<(String, String, Option<DateTime<Utc>>)> = kitrooms::table
            .find(id)
            .select((kitrooms::name, kitrooms::purpose, kitrooms::deleted_at))
            .first(conn)
            .await
            .optional()?;
        if let Some((name, purpose, deleted)) = taken {
            let own = find_membership(conn, id, account).await?.is_some_and(|(role, _)| role == Role::Owner);
            let same = name == create.name.as_str() && purpose == create.purpose.name() && deleted.is_none();
            if own && same {
                return Ok(false);
            }
            return Err(ApiError::new(
                ErrorCode::Conflict,
                "this id is taken; make the kitroom under another",
            ));
        }
        if create.purpose == Purpose::Personal
            && let Some(existing) = find_personal(conn, account).await?
        {
            let words = "you have a personal kitroom already; join that one";
            return Err(Problem::new(ErrorCode::PersonalExists, words)
                .with("kitroom_id", existing.to_string())
                .into());
        }
        if count_owned(conn, account).await? >= at_most {
            let words = format!("an account owns at most {at_most} kitrooms; delete one that is not needed");
            return Err(ApiError::new(ErrorCode::QuotaExceeded, words));
        }
        diesel::insert_into(kitrooms::table)
            .values((
                kitrooms::id.eq(id),
                kitrooms::name.eq(create.name.as_str()),
                kitrooms::purpose.eq(create.purpose.name()),
                kitrooms::epoch.eq(Uuid::now_v7()),
                kitrooms::created_at.eq(now),
            ))
            .execute(conn)
            .await?;
        diesel::insert_into(memberships::table)
            .values((
                memberships::kitroom_id.eq(id),
                memberships::account_id.eq(account),
                memberships::role.eq(Role::Owner.name()),
                memberships::created_at.eq(now),
            ))
            .execute(conn)
            .await?;
        Ok(true)
    })
    .await
}

async fn count_owned(conn: &mut AsyncPgConnection, account: Uuid) -> Result<i64, ApiError> {
    let own = memberships::table
        .inner_join(kitrooms::table)
        .filter(memberships::account_id.eq(account))
        .filter(memberships::role.eq(Role::Owner.name()))
        .filter(memberships::removed_at.is_null())
        .filter(kitrooms::deleted_at.is_null());
    Ok(own.count().get_result(conn).await?)
}

async fn find_personal(conn: &mut AsyncPgConnection, account: Uuid) -> Result<Option<Uuid>, ApiError> {
    let own = memberships::table
        .inner_join(kitrooms::table)
        .filter(memberships::account_id.eq(account))
        .filter(memberships::role.eq(Role::Owner.name()))
        .filter(memberships::removed_at.is_null())
        .filter(kitrooms::deleted_at.is_null())
        .filter(kitrooms::purpose.eq(Purpose::Personal.name()));
    Ok(own.select(kitrooms::id).first(conn).await.optional()?)
}

/// Renames a kitroom that still has this version; answers whether it had.
pub async fn update_kitroom(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    version: i64,
    name: &str,
) -> Result<bool, ApiError> {
    let target = kitrooms::table
        .filter(kitrooms::id.eq(kitroom))
        .filter(kitrooms::version.eq(version))
        .filter(kitrooms::deleted_at.is_null());
    let changed = diesel::update(target)
        .set((kitrooms::name.eq(name), kitrooms::version.eq(kitrooms::version + 1)))
        .execute(conn)
        .await?;
    Ok(changed > 0)
}

/// Deletes a kitroom: it is shown to nobody any more, and devices that hold it are told.
pub async fn delete_kitroom(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    version: Option<i64>,
    now: DateTime<Utc>,
) -> Result<bool, ApiError> {
    let mut target = diesel::update(kitrooms::table.filter(kitrooms::id.eq(kitroom)))
        .set((kitrooms::deleted_at.eq(now), kitrooms::version.eq(kitrooms::version + 1)))
        .into_boxed()
        .filter(kitrooms::deleted_at.is_null());
    if let Some(version) = version {
        target = target.filter(kitrooms::version.eq(version));
    }
    Ok(target.execute(conn).await? > 0)
}

/// The kitrooms with this id, or else with this name.
pub async fn find_by_text(conn: &mut AsyncPgConnection, text: &str) -> Result<Vec<(Uuid, String)>, ApiError> {
    let open = kitrooms::table.filter(kitrooms::deleted_at.is_null()).order(kitrooms::id).limit(20);
    let select = (kitrooms::id, kitrooms::name);
    Ok(match Uuid::parse_str(text) {
        Ok(id) => open.filter(kitrooms::id.eq(id)).select(select).load(conn).await?,
        Err(_) => open.filter(kitrooms::name.eq(text)).select(select).load(conn).await?,
    })
}

/// Begins a new epoch of a kitroom: no cursor of before fits any more. It waits for the change that is under way.
pub async fn begin_epoch(conn: &mut AsyncPgConnection, kitroom: Uuid) -> Result<(), ApiError> {
    diesel::update(kitrooms::table.find(kitroom))
        .set(kitrooms::epoch.eq(Uuid::now_v7()))
        .execute(conn)
        .await?;
    Ok(())
}

/// The same for every kitroom, in the database alone: a UUIDv7 of its clock and its own randomness (RFC 9562, section
/// 5.7). For a script that has no search path.
pub const NEW_EPOCHS: &str = "update public.kitrooms set epoch = encode(set_bit(set_bit(overlay(uuid_send(gen_random_uuid()) \
     placing substring(int8send((extract(epoch from clock_timestamp()) * 1000)::bigint) from 3) from 1 for 6), 52, 1), \
     53, 1), 'hex')::uuid;";
