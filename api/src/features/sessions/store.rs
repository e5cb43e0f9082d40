//! Sessions in the database.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::schema::{accounts, sessions};

/// The id and the password hash of the account with this address.
pub async fn find_login(
    conn: &mut AsyncPgConnection,
    email: &str,
) -> Result<Option<(Uuid, String)>, ApiError> {
    let row = accounts::table
        .filter(accounts::email.eq(email.to_lowercase()))
        .select((accounts::id, accounts::password_hash))
        .first(conn)
        .await
        .optional()?;
    Ok(row)
}

/// A new session.
pub async fn insert_session(
    conn: &mut AsyncPgConnection,
    id: Uuid,
    account: Uuid,
    refresh_hash: &[u8],
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    diesel::insert_into(sessions::table)
        .values((
            sessions::id.eq(id),
            sessions::account_id.eq(account),
            sessions::refresh_hash.eq(refresh_hash),
            sessions::created_at.eq(now),
            sessions::last_used_at.eq(now),
        ))
        .execute(conn)
        .await?;
    Ok(())
}
