//! Device tokens in the database. Every statement names the account.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::time::Timestamp;
use domain::wire::account::DeviceTokenView;
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::schema::device_tokens;

type ViewRow = (Uuid, String, DateTime<Utc>, Option<DateTime<Utc>>);

/// A new token.
pub async fn insert_device_token(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    id: Uuid,
    name: &str,
    hash: &[u8],
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    diesel::insert_into(device_tokens::table)
        .values((
            device_tokens::id.eq(id),
            device_tokens::account_id.eq(account),
            device_tokens::name.eq(name),
            device_tokens::token_hash.eq(hash),
            device_tokens::created_at.eq(now),
        ))
        .execute(conn)
        .await?;
    Ok(())
}

/// How many tokens of the account are not revoked.
pub async fn count_device_tokens(conn: &mut AsyncPgConnection, account: Uuid) -> Result<i64, ApiError> {
    let own = device_tokens::table
        .filter(device_tokens::account_id.eq(account))
        .filter(device_tokens::revoked_at.is_null());
    Ok(own.count().get_result(conn).await?)
}

/// The account's tokens that are not revoked, oldest first.
pub async fn list_device_tokens(
    conn: &mut AsyncPgConnection,
    account: Uuid,
) -> Result<Vec<DeviceTokenView>, ApiError> {
    let rows: Vec<ViewRow> = device_tokens::table
        .filter(device_tokens::account_id.eq(account))
        .filter(device_tokens::revoked_at.is_null())
        .order(device_tokens::id)
        .select((
            device_tokens::id,
            device_tokens::name,
            device_tokens::created_at,
            device_tokens::last_used_at,
        ))
        .load(conn)
        .await?;
    let view = |(id, name, created_at, last_used_at): ViewRow| DeviceTokenView {
        id,
        name,
        created_at: Timestamp::from_utc(created_at),
        last_used_at: last_used_at.map(Timestamp::from_utc),
        token: None,
    };
    Ok(rows.into_iter().map(view).collect())
}

/// Revokes one of the account's tokens; answers whether there was one.
pub async fn revoke_device_token(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    id: Uuid,
    now: DateTime<Utc>,
) -> Result<bool, ApiError> {
    let own = device_tokens::table
        .filter(device_tokens::id.eq(id))
        .filter(device_tokens::account_id.eq(account))
        .filter(device_tokens::revoked_at.is_null());
    Ok(diesel::update(own).set(device_tokens::revoked_at.eq(now)).execute(conn).await? > 0)
}

/// Revokes all of the account's tokens.
pub async fn revoke_device_tokens(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    let own = device_tokens::table
        .filter(device_tokens::account_id.eq(account))
        .filter(device_tokens::revoked_at.is_null());
    diesel::update(own).set(device_tokens::revoked_at.eq(now)).execute(conn).await?;
    Ok(())
}
