//! Accounts in the database.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::result::{DatabaseErrorKind, Error};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::AccountId;
use domain::time::Timestamp;
use domain::wire::account::AccountView;
use domain::wire::problem::ErrorCode;
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::schema::accounts;

/// A new account.
///
/// # Errors
/// `conflict` when the address is taken.
pub async fn insert_account(
    conn: &mut AsyncPgConnection,
    id: Uuid,
    email: &str,
    name: &str,
    password_hash: &str,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    let row = (
        accounts::id.eq(id),
        accounts::email.eq(email.to_lowercase()),
        accounts::name.eq(name),
        accounts::password_hash.eq(password_hash),
        accounts::created_at.eq(now),
    );
    match diesel::insert_into(accounts::table).values(row).execute(conn).await {
        Ok(_) => Ok(()),
        Err(Error::DatabaseError(DatabaseErrorKind::UniqueViolation, _)) => {
            Err(ApiError::new(ErrorCode::Conflict, format!("there is an account for {email} already")))
        }
        Err(error) => Err(error.into()),
    }
}

/// The account with this id.
///
/// # Errors
/// `not-found`.
pub async fn find_account(conn: &mut AsyncPgConnection, id: Uuid) -> Result<AccountView, ApiError> {
    let row: Option<(Uuid, String, String, DateTime<Utc>)> = accounts::table
        .find(id)
        .select((accounts::id, accounts::email, accounts::name, accounts::created_at))
        .first(conn)
        .await
        .optional()?;
    let (id, email, name, created_at) = row.ok_or_else(ApiError::not_found)?;
    let id =
        AccountId::new(id).map_err(|error| ApiError::internal("an account's id is none of ours", error))?;
    Ok(AccountView { id, email, name, created_at: Timestamp::from_utc(created_at) })
}
