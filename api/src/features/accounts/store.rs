//! Accounts in the database.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel::result::{DatabaseErrorKind, Error};
use diesel::sql_types::Uuid as SqlUuid;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::AccountId;
use domain::kinds;
use domain::sync::op::Role;
use domain::time::Timestamp;
use domain::wire::account::AccountView;
use domain::wire::kitroom::Purpose;
use domain::wire::problem::ErrorCode;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::door::records;
use crate::features::kitrooms::store as kitrooms;
use crate::features::runner::store as runner;
use crate::platform::error::ApiError;
use crate::schema::{accounts, kitrooms as kitrooms_table, memberships};

/// What stands where a former account's name stood.
const FORMER: &str = "a former member";

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

type ViewRow = (Uuid, String, String, i64, DateTime<Utc>);

fn view((id, email, name, version, created_at): ViewRow) -> Result<AccountView, ApiError> {
    let id =
        AccountId::new(id).map_err(|error| ApiError::internal("an account's id is none of ours", error))?;
    Ok(AccountView { id, email, name, version, created_at: Timestamp::from_utc(created_at) })
}

const VIEW: (accounts::id, accounts::email, accounts::name, accounts::version, accounts::created_at) =
    (accounts::id, accounts::email, accounts::name, accounts::version, accounts::created_at);

/// The account with this id.
///
/// # Errors
/// `not-found`.
pub async fn find_account(conn: &mut AsyncPgConnection, id: Uuid) -> Result<AccountView, ApiError> {
    let row: Option<ViewRow> = accounts::table
        .find(id)
        .filter(accounts::deleted_at.is_null())
        .select(VIEW)
        .first(conn)
        .await
        .optional()?;
    view(row.ok_or_else(ApiError::not_found)?)
}

/// All accounts, oldest first.
pub async fn list_accounts(conn: &mut AsyncPgConnection) -> Result<Vec<AccountView>, ApiError> {
    let rows: Vec<ViewRow> = accounts::table
        .filter(accounts::deleted_at.is_null())
        .order(accounts::id)
        .select(VIEW)
        .load(conn)
        .await?;
    rows.into_iter().map(view).collect()
}

/// The id of the account with this address.
pub async fn find_by_email(conn: &mut AsyncPgConnection, email: &str) -> Result<Option<Uuid>, ApiError> {
    let own = accounts::table
        .filter(accounts::email.eq(email.to_lowercase()))
        .filter(accounts::deleted_at.is_null());
    Ok(own.select(accounts::id).first(conn).await.optional()?)
}

/// The password hash of an account.
pub async fn find_password(conn: &mut AsyncPgConnection, id: Uuid) -> Result<Option<String>, ApiError> {
    let own = accounts::table.find(id).filter(accounts::deleted_at.is_null());
    Ok(own.select(accounts::password_hash).first(conn).await.optional()?)
}

/// Renames an account that still has this version; answers whether it had.
pub async fn update_name(
    conn: &mut AsyncPgConnection,
    id: Uuid,
    version: i64,
    name: &str,
) -> Result<bool, ApiError> {
    let target = accounts::table.filter(accounts::id.eq(id)).filter(accounts::version.eq(version));
    let set = (accounts::name.eq(name), accounts::version.eq(accounts::version + 1));
    Ok(diesel::update(target).set(set).execute(conn).await? > 0)
}

/// Another password.
pub async fn update_password(conn: &mut AsyncPgConnection, id: Uuid, hash: &str) -> Result<(), ApiError> {
    diesel::update(accounts::table.find(id)).set(accounts::password_hash.eq(hash)).execute(conn).await?;
    Ok(())
}

/// Ends an account, inside the caller's transaction: its personal kitroom goes, it leaves every club, and its name and
/// its address go. The records that it made in clubs stay, under a neutral name.
///
/// # Errors
/// `last-owner` while a club would be left without an owner.
pub async fn delete_account(
    conn: &mut AsyncPgConnection,
    id: Uuid,
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    accounts::table.find(id).select(accounts::id).for_update().first::<Uuid>(conn).await?;
    let own: Vec<(Uuid, String, String, String)> = memberships::table
        .inner_join(kitrooms_table::table)
        .filter(memberships::account_id.eq(id))
        .filter(memberships::removed_at.is_null())
        .filter(kitrooms_table::deleted_at.is_null())
        .order(kitrooms_table::id)
        .select((kitrooms_table::id, kitrooms_table::name, kitrooms_table::purpose, memberships::role))
        .for_update()
        .load(conn)
        .await?;
    for (kitroom, name, purpose, role) in own {
        if role != Role::Owner.name() {
            continue;
        }
        if purpose == Purpose::Personal.name() {
            kitrooms::delete_kitroom(conn, kitroom, None, now).await?;
            continue;
        }
        let others = memberships::table
            .filter(memberships::kitroom_id.eq(kitroom))
            .filter(memberships::account_id.ne(id))
            .filter(memberships::role.eq(Role::Owner.name()))
            .filter(memberships::removed_at.is_null());
        if others.count().get_result::<i64>(conn).await? == 0 {
            let words =
                format!("you are the last owner of {name}; make somebody else one first, or delete it");
            return Err(ApiError::new(ErrorCode::LastOwner, words));
        }
    }
    let open =
        memberships::table.filter(memberships::account_id.eq(id)).filter(memberships::removed_at.is_null());
    diesel::update(open).set(memberships::removed_at.eq(now)).execute(conn).await?;
    runner::delete(conn, id).await?;
    diesel::update(accounts::table.find(id))
        .set((
            accounts::name.eq(FORMER),
            // No login can have it: an address without a name before the @.
            accounts::email.eq(format!("@{id}")),
            accounts::password_hash.eq("!"),
            accounts::deleted_at.eq(now),
            accounts::version.eq(accounts::version + 1),
        ))
        .execute(conn)
        .await?;
    Ok(())
}

/// Everything that the service holds of an account: its header, its memberships, the records of its personal kitroom,
/// and those that it made elsewhere.
pub async fn export(conn: &mut AsyncPgConnection, account: Uuid) -> Result<Value, ApiError> {
    let header = find_account(conn, account).await?;
    let mut rooms = Vec::new();
    for view in kitrooms::list_kitrooms(conn, account, Uuid::nil(), 1000).await? {
        let personal = view.purpose == Purpose::Personal && view.role == Role::Owner;
        let mut by_kind = serde_json::Map::new();
        for kind in kinds::KINDS {
            let mut select = records::select(kind, view.id.uuid()).sql(" and not r.deleted");
            if !personal {
                select = select.sql(" and r.created_by = ").bind::<SqlUuid, _>(account);
            }
            let found = records::load(conn, select.sql(" order by r.id")).await?;
            let found: Vec<Value> = found.iter().map(|record| Value::Object(record.to_wire())).collect();
            by_kind.insert(kind.table.to_owned(), Value::Array(found));
        }
        rooms.push(json!({ "kitroom": view, "records": by_kind }));
    }
    let runner = runner::find(conn, account).await?;
    Ok(json!({ "account": header, "runner": runner, "kitrooms": rooms }))
}
