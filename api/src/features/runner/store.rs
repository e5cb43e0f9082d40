//! Runners in the database.

use diesel::prelude::*;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::wire::runner::{Runner, RunnerView};
use serde_json::Value;
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::schema::runners;

/// What is known of an account's runner; nothing, in version 0, before it was said.
///
/// # Errors
/// As the database fails.
pub async fn find(conn: &mut AsyncPgConnection, account: Uuid) -> Result<RunnerView, ApiError> {
    let row: Option<(i64, Value)> = runners::table
        .find(account)
        .select((runners::version, runners::body))
        .first(conn)
        .await
        .optional()?;
    let Some((version, body)) = row else { return Ok(RunnerView::new(Runner::default(), 0)) };
    let runner = serde_json::from_value(body)
        .map_err(|error| ApiError::internal("a stored runner cannot be read", error))?;
    Ok(RunnerView::new(runner, version))
}

/// Stores what is known under the next version, when `version` is the one that stands; answers whether it was.
///
/// # Errors
/// As the database fails.
pub async fn update(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    version: i64,
    runner: &Runner,
) -> Result<bool, ApiError> {
    let body = serde_json::to_value(runner)
        .map_err(|error| ApiError::internal("a runner cannot be written", error))?;
    if version == 0 {
        let row = (runners::account_id.eq(account), runners::version.eq(1), runners::body.eq(body));
        let insert = diesel::insert_into(runners::table).values(row).on_conflict_do_nothing();
        return Ok(insert.execute(conn).await? > 0);
    }
    let stands = runners::table.find(account).filter(runners::version.eq(version));
    let set = (runners::version.eq(runners::version + 1), runners::body.eq(body));
    Ok(diesel::update(stands).set(set).execute(conn).await? > 0)
}

/// Forgets it.
///
/// # Errors
/// As the database fails.
pub async fn delete(conn: &mut AsyncPgConnection, account: Uuid) -> Result<(), ApiError> {
    diesel::delete(runners::table.find(account)).execute(conn).await?;
    Ok(())
}
