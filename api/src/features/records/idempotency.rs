//! Ids for requests that bring none: the same `Idempotency-Key` of the same account gets the same ids.

use chrono::{DateTime, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::platform::extract::IdempotencyKey;
use crate::schema::idempotency_keys;

/// The ids that a request goes by.
#[derive(Debug, Clone, Copy)]
pub struct Ids {
    /// The op.
    pub op_id: Uuid,
    /// The record, for one that makes one.
    pub record_id: Uuid,
}

/// The ids of a request: those that its key was given before, or new ones.
pub async fn ids(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    key: &IdempotencyKey,
    record_id: Uuid,
    now: DateTime<Utc>,
) -> Result<Ids, ApiError> {
    let fresh = Ids { op_id: Uuid::now_v7(), record_id };
    let Some(key) = &key.0 else { return Ok(fresh) };
    let row = (
        idempotency_keys::account_id.eq(account),
        idempotency_keys::key.eq(key),
        idempotency_keys::op_id.eq(fresh.op_id),
        idempotency_keys::record_id.eq(record_id),
        idempotency_keys::created_at.eq(now),
    );
    diesel::insert_into(idempotency_keys::table).values(row).on_conflict_do_nothing().execute(conn).await?;
    let stored: (Uuid, Uuid) = idempotency_keys::table
        .find((account, key))
        .select((idempotency_keys::op_id, idempotency_keys::record_id))
        .first(conn)
        .await?;
    Ok(Ids { op_id: stored.0, record_id: stored.1 })
}
