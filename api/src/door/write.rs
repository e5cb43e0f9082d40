//! What a decided batch leaves behind, in as few statements as it takes.

use diesel::sql_types::{
    Array, BigInt, Binary, Bool, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid,
};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::kinds::KINDS;
use domain::sync::canonical::row_hash;
use domain::sync::op::{Op, OpResult};
use domain::sync::working::Working;
use rand::TryRngCore;
use rand::rngs::OsRng;
use uuid::Uuid;

use super::{Sender, at, records as record_rows};
use crate::platform::error::ApiError;
use crate::platform::jsonb::AsJson;
use crate::platform::sql::sql;

/// The changed records, one statement a kind; a kind comes after those that it refers to.
pub async fn records(conn: &mut AsyncPgConnection, kitroom: Uuid, working: &Working) -> Result<(), ApiError> {
    for kind in KINDS {
        let changed = working.changed(kind.name);
        if !changed.is_empty() {
            record_rows::upsert(conn, kitroom, kind, &changed).await?;
        }
    }
    Ok(())
}

/// The results of the ops; and when something changed, the index, the digests, the commit's mark and the kitroom's
/// last number. One statement, so that a single weighing pays one round trip for all of it. Answers the commit's mark.
pub async fn journal(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    sender: Sender,
    working: &Working,
    head_before: i64,
    decided: &[(&Op, OpResult)],
) -> Result<Option<Vec<u8>>, ApiError> {
    if decided.is_empty() {
        return Ok(None);
    }
    let results: Vec<AsJson<_>> = decided.iter().map(|(_, result)| AsJson(result)).collect();
    let statement = sql::<()>(
        "with ops as (insert into applied_ops (kitroom_id, op_id, op_no, op_hash, result, seq, replica_id, applied_at) \
         select ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(", u.*, ")
    .bind::<Nullable<SqlUuid>, _>(sender.replica.map(|(id, _)| id))
    .sql(", ")
    .bind::<Timestamptz, _>(at(sender.now))
    .sql(" from unnest(")
    .bind::<Array<SqlUuid>, _>(decided.iter().map(|(op, _)| op.op_id).collect::<Vec<_>>())
    .sql(", ")
    .bind::<Array<Nullable<BigInt>>, _>(decided.iter().map(|(op, _)| op.op_no).collect::<Vec<_>>())
    .sql(", ")
    .bind::<Array<Binary>, _>(decided.iter().map(|(op, _)| op.hash.to_vec()).collect::<Vec<_>>())
    .sql(", ")
    .bind::<Array<Jsonb>, _>(results)
    .sql(", ")
    .bind::<Array<Nullable<BigInt>>, _>(decided.iter().map(|(_, result)| result.seq).collect::<Vec<_>>());
    if working.head() == head_before {
        statement.sql(") u) select 1").execute(&mut conn).await?;
        return Ok(None);
    }

    let (mut kinds, mut ids, mut seqs, mut deleted, mut hashes) = (vec![], vec![], vec![], vec![], vec![]);
    for kind in KINDS {
        for record in working.changed(kind.name) {
            kinds.push(kind.name);
            ids.push(record.id);
            seqs.push(record.version);
            deleted.push(record.deleted);
            hashes.push(row_hash(kind.name, record));
        }
    }
    let moves = working.digest_moves();
    let digest_kinds: Vec<&str> = moves.keys().copied().collect();
    let counts: Vec<i64> = moves.values().map(|(count, _)| *count).collect();
    // The sum wraps at 2^64, which the database's own integers would refuse; so it is kept as an unsigned numeric.
    let sums: Vec<String> = moves.values().map(|(_, sum)| sum.cast_unsigned().to_string()).collect();
    let mut mark = [0u8; 16];
    OsRng.try_fill_bytes(&mut mark).map_err(|error| ApiError::internal("no randomness", error))?;
    statement
        .sql(
            ") u), idx as (insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash) select ",
        )
        .bind::<SqlUuid, _>(kitroom)
        .sql(", u.* from unnest(")
        .bind::<Array<Text>, _>(kinds)
        .sql(", ")
        .bind::<Array<SqlUuid>, _>(ids)
        .sql(", ")
        .bind::<Array<BigInt>, _>(seqs)
        .sql(", ")
        .bind::<Array<Bool>, _>(deleted)
        .sql(", ")
        .bind::<Array<BigInt>, _>(hashes)
        .sql(
            ") u on conflict (kitroom_id, kind, record_id) do update set seq = excluded.seq, deleted = excluded.deleted, \
             row_hash = excluded.row_hash), \
             dig as (insert into kind_digests (kitroom_id, kind, records, hash_sum) select ",
        )
        .bind::<SqlUuid, _>(kitroom)
        .sql(", u.kind, u.records, u.hash_sum::numeric from unnest(")
        .bind::<Array<Text>, _>(digest_kinds)
        .sql(", ")
        .bind::<Array<BigInt>, _>(counts)
        .sql(", ")
        .bind::<Array<Text>, _>(sums)
        .sql(
            ") u(kind, records, hash_sum) on conflict (kitroom_id, kind) do update set \
             records = kind_digests.records + excluded.records, \
             hash_sum = (kind_digests.hash_sum + excluded.hash_sum) % 18446744073709551616), \
             com as (insert into commits (kitroom_id, last_seq, mark, committed_at) values (",
        )
        .bind::<SqlUuid, _>(kitroom)
        .sql(", ")
        .bind::<BigInt, _>(working.head())
        .sql(", ")
        .bind::<Binary, _>(mark.to_vec())
        .sql(", ")
        .bind::<Timestamptz, _>(at(sender.now))
        .sql(")) update kitrooms set head_seq = ")
        .bind::<BigInt, _>(working.head())
        .sql(" where id = ")
        .bind::<SqlUuid, _>(kitroom)
        .execute(&mut conn)
        .await?;
    Ok(Some(mark.to_vec()))
}

/// The last number that the replica has sent; nothing where no replica sends.
pub async fn replica(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    sender: Sender,
    last_op_no: Option<i64>,
) -> Result<(), ApiError> {
    let (Some((replica, schema)), Some(last_op_no)) = (sender.replica, last_op_no) else { return Ok(()) };
    sql::<()>("insert into replicas (kitroom_id, replica_id, account_id, last_op_no, schema_version, last_seen_at) values (")
        .bind::<SqlUuid, _>(kitroom)
        .sql(", ")
        .bind::<SqlUuid, _>(replica)
        .sql(", ")
        .bind::<SqlUuid, _>(sender.account)
        .sql(", ")
        .bind::<BigInt, _>(last_op_no)
        .sql(", ")
        .bind::<Integer, _>(schema)
        .sql(", ")
        .bind::<Timestamptz, _>(at(sender.now))
        .sql(
            ") on conflict (kitroom_id, replica_id) do update set last_op_no = excluded.last_op_no, \
             schema_version = excluded.schema_version, last_seen_at = excluded.last_seen_at",
        )
        .execute(&mut conn)
        .await?;
    Ok(())
}
