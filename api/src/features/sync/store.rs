//! Reading the feed. A page is one snapshot: the index, the records and the kitroom's last number belong together.

use std::collections::HashMap;

use diesel::sql_types::{BigInt, Binary, Bool, Text, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::kinds;
use domain::sync::record::Stored;
use domain::wire::problem::ErrorCode;
use domain::wire::sync::{Change, ChangesPage, Digest, KindDigest};
use uuid::Uuid;

use super::cursor::Cursor;
use crate::door::records;
use crate::platform::error::ApiError;
use crate::platform::sql::sql;

struct Head {
    epoch: Uuid,
    head_seq: i64,
    floor_seq: i64,
}

async fn find_head(conn: &mut AsyncPgConnection, kitroom: Uuid, account: Uuid) -> Result<Head, ApiError> {
    let rows: Vec<(Uuid, i64, i64)> = sql::<(SqlUuid, BigInt, BigInt)>(
        "select k.epoch, k.head_seq, k.floor_seq from kitrooms k join memberships m on m.kitroom_id = k.id where k.id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" and m.account_id = ")
    .bind::<SqlUuid, _>(account)
    .sql(" and m.removed_at is null and k.deleted_at is null")
    .load(conn)
    .await?;
    let (epoch, head_seq, floor_seq) = rows.into_iter().next().ok_or_else(ApiError::not_found)?;
    Ok(Head { epoch, head_seq, floor_seq })
}

/// The mark of the commit that holds a change.
async fn find_mark(
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

/// A page of changes after a cursor. Runs in one read-only snapshot of the caller's.
pub async fn find_changes(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
    cursor: Option<Cursor>,
    limit: i64,
) -> Result<ChangesPage, ApiError> {
    let head = find_head(conn, kitroom, account).await?;
    let after = match cursor {
        None => 0,
        Some(cursor) => {
            let same = cursor.epoch == head.epoch
                && cursor.seq <= head.head_seq
                && cursor.fits(find_mark(conn, kitroom, cursor.seq).await?.as_deref());
            if !same {
                let words = "the server was restored or copied since; keep what you have and ask its owner";
                return Err(ApiError::new(ErrorCode::EpochChanged, words));
            }
            if cursor.seq < head.floor_seq {
                return Err(ApiError::new(
                    ErrorCode::CursorExpired,
                    "read the kitroom again from its beginning",
                ));
            }
            cursor.seq
        }
    };
    let rows: Vec<(String, Uuid, i64, bool)> = sql::<(Text, SqlUuid, BigInt, Bool)>(
        "select kind, record_id, seq, deleted from sync_index where kitroom_id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" and seq > ")
    .bind::<BigInt, _>(after)
    .sql(" order by seq limit ")
    .bind::<BigInt, _>(limit)
    .load(conn)
    .await?;
    let mut found = find_records(conn, kitroom, &rows).await?;
    let last = rows.last().map_or(after, |row| row.2);
    let changes: Vec<Change> = rows
        .into_iter()
        .map(|(kind, id, seq, deleted)| {
            let record = if deleted { None } else { found.remove(&id).map(|stored| stored.to_wire()) };
            Change { seq, kind, id, deleted, record }
        })
        .collect();
    let mark = find_mark(conn, kitroom, last).await?;
    Ok(ChangesPage {
        epoch: head.epoch,
        has_more: last < head.head_seq,
        changes,
        next_cursor: Cursor::new(kitroom, head.epoch, last, mark.as_deref()).encode(),
        head_seq: head.head_seq,
    })
}

async fn find_records(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    rows: &[(String, Uuid, i64, bool)],
) -> Result<HashMap<Uuid, Stored>, ApiError> {
    let mut found = HashMap::with_capacity(rows.len());
    for kind in kinds::KINDS {
        let live = rows.iter().filter(|(name, _, _, deleted)| name == kind.name && !deleted);
        let ids: Vec<Uuid> = live.map(|row| row.1).collect();
        if !ids.is_empty() {
            found.extend(records::find(conn, kitroom, kind, &ids).await?.into_iter().map(|r| (r.id, r)));
        }
    }
    Ok(found)
}

/// The digest of a kitroom. Runs in one read-only snapshot of the caller's.
pub async fn find_digest(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    account: Uuid,
) -> Result<Digest, ApiError> {
    let head = find_head(conn, kitroom, account).await?;
    let rows: Vec<(String, i64, String)> = sql::<(Text, BigInt, Text)>(
        "select kind, records, hash_sum::text from kind_digests where kitroom_id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .load(conn)
    .await?;
    let kinds = rows
        .into_iter()
        .map(|(kind, count, sum)| {
            let sum: u64 =
                sum.parse().map_err(|error| ApiError::internal("a digest cannot be read", error))?;
            Ok((kind, KindDigest { count, hash: format!("{sum:016x}") }))
        })
        .collect::<Result<_, ApiError>>()?;
    Ok(Digest { head_seq: head.head_seq, kinds })
}
