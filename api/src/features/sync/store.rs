//! What the sync calls read beside the feed. Every statement names the account.

use chrono::{DateTime, Utc};
use diesel::sql_types::{BigInt, Binary, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::ids::KitroomId;
use domain::sync::op::Role;
use domain::time::Timestamp;
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::sync::{Digest, KindDigest, RemovedKitroom, SyncKitroom};
use uuid::Uuid;

use super::cursor::Cursor;
use crate::platform::error::ApiError;
use crate::platform::sql::sql;

/// How far a kitroom has come.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Head {
    /// Its epoch.
    pub epoch: Uuid,
    /// The number of its last change.
    pub seq: i64,
    /// Deletions up to this change may be forgotten ([`domain::sync::feed::Place::has_expired`]).
    pub floor: i64,
}

/// The head of a kitroom that the account is a member of.
///
/// # Errors
/// `not-found`.
pub async fn find_head(conn: &mut AsyncPgConnection, kitroom: Uuid, account: Uuid) -> Result<Head, ApiError> {
    let rows: Vec<(Uuid, i64, i64)> = sql::<(SqlUuid, BigInt, BigInt)>(
        "select k.epoch, k.head_seq, k.floor_seq from kitrooms k join memberships m on m.kitroom_id = k.id where k.id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" and m.account_id = ")
    .bind::<SqlUuid, _>(account)
    .sql(" and m.removed_at is null and k.deleted_at is null")
    .load(conn)
    .await?;
    let (epoch, seq, floor) = rows.into_iter().next().ok_or_else(ApiError::not_found)?;
    Ok(Head { epoch, seq, floor })
}

/// The mark of the commit that holds a change.
pub async fn find_mark(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    seq: i64,
) -> Result<Option<Vec<u8>>, ApiError> {
    if seq == 0 {
        return Ok(None);
    }
    let rows: Vec<(Vec<u8>,)> = sql::<(Binary,)>("select mark from commits where kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(" and last_seq >= ")
        .bind::<BigInt, _>(seq)
        .sql(" order by last_seq limit 1")
        .load(conn)
        .await?;
    Ok(rows.into_iter().next().map(|(mark,)| mark))
}

/// Checks that a cursor or an ack was made by this server in the history that it has now.
///
/// # Errors
/// `epoch-changed`.
pub async fn check_history(
    conn: &mut AsyncPgConnection,
    head: &Head,
    cursor: &Cursor,
) -> Result<(), ApiError> {
    // Below the floor too: a reader that is told that its cursor has expired drops what does not come again, and must not
    // do so where the changes were lost. Marks are kept for good for that.
    let seen = cursor.place().seen;
    let same = cursor.epoch == head.epoch
        && seen <= head.seq
        && cursor.fits(find_mark(conn, cursor.kitroom, seen).await?.as_deref());
    if same {
        return Ok(());
    }
    let words = "the server was restored or copied since, or told to begin a new epoch; keep what you hold, read the \
                 kitroom again from its beginning, and show a person what it no longer has";
    let problem = Problem::new(ErrorCode::EpochChanged, words);
    Err(problem.with("epoch", head.epoch.to_string()).with("head_seq", head.seq).into())
}

/// The account's kitrooms and how far each has come, in the order of their ids.
pub async fn list_heads(conn: &mut AsyncPgConnection, account: Uuid) -> Result<Vec<SyncKitroom>, ApiError> {
    type Row = (Uuid, String, Uuid, i64, i64, i64);
    let rows: Vec<Row> = sql::<(SqlUuid, Text, SqlUuid, BigInt, BigInt, BigInt)>(
        "select k.id, m.role, k.epoch, k.head_seq, k.floor_seq, \
         (select count(*) from conflicts c where c.kitroom_id = k.id and c.open) from memberships m join kitrooms k on k.id = m.kitroom_id where m.account_id = ",
    )
    .bind::<SqlUuid, _>(account)
    .sql(" and m.removed_at is null and k.deleted_at is null order by k.id")
    .load(conn)
    .await?;
    rows.into_iter()
        .map(|(id, role, epoch, head_seq, floor_seq, open_conflicts)| {
            let kitroom_id = kitroom_id(id)?;
            let role =
                Role::from_name(&role).ok_or_else(|| ApiError::internal("a role is unknown", &role))?;
            Ok(SyncKitroom { kitroom_id, role, epoch, head_seq, floor_seq, open_conflicts })
        })
        .collect()
}

/// The kitrooms that the account was removed from, and those that were deleted under it.
pub async fn list_removed(
    conn: &mut AsyncPgConnection,
    account: Uuid,
) -> Result<Vec<RemovedKitroom>, ApiError> {
    let rows: Vec<(Uuid, DateTime<Utc>)> = sql::<(SqlUuid, Timestamptz)>(
        "select k.id, coalesce(m.removed_at, k.deleted_at) from memberships m \
         join kitrooms k on k.id = m.kitroom_id where m.account_id = ",
    )
    .bind::<SqlUuid, _>(account)
    .sql(" and (m.removed_at is not null or k.deleted_at is not null) order by k.id")
    .load(conn)
    .await?;
    rows.into_iter()
        .map(|(id, at)| {
            Ok(RemovedKitroom { kitroom_id: kitroom_id(id)?, removed_at: Timestamp::from_utc(at) })
        })
        .collect()
}

fn kitroom_id(id: Uuid) -> Result<KitroomId, ApiError> {
    KitroomId::new(id).map_err(|error| ApiError::internal("a kitroom's id is none of ours", error))
}

/// The digest of a kitroom's records that are not deleted. Runs in one read-only snapshot of the caller's.
pub async fn find_digest(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
) -> Result<Digest, ApiError> {
    let head = find_head(conn, kitroom, account).await?;
    // The door keeps the sums over all records; the deleted ones are few, and an index finds them.
    let rows: Vec<(String, i64, String)> = sql::<(Text, BigInt, Text)>(
        "select d.kind, d.records - coalesce(x.records, 0), (d.hash_sum - coalesce(x.hash_sum, 0))::text \
         from kind_digests d left join (select kind, count(*) records, sum(row_hash) hash_sum from sync_index \
         where deleted and kitroom_id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" group by kind) x on x.kind = d.kind where d.kitroom_id = ")
    .bind::<SqlUuid, _>(kitroom)
    .load(conn)
    .await?;
    let mut kinds = std::collections::BTreeMap::new();
    for (kind, count, sum) in rows {
        let sum: i128 = sum.parse().map_err(|error| ApiError::internal("a digest cannot be read", error))?;
        if count > 0 {
            let hash = format!("{:016x}", sum.rem_euclid(1 << 64));
            kinds.insert(kind, KindDigest { count, hash });
        }
    }
    Ok(Digest { head_seq: head.seq, kinds })
}
