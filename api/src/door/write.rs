//! What a decided batch leaves behind, in as few statements as it takes.

use std::collections::{BTreeMap, HashSet};

use chrono::{DateTime, Utc};
use diesel::sql_types::{
    Array, BigInt, Binary, Bool, Integer, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid,
};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::kinds::KINDS;
use domain::sync::record::Stored;
use domain::sync::working::{Moved, Working, digest_moves};
use rand::TryRngCore;
use rand::rngs::OsRng;
use uuid::Uuid;

use super::at;
use super::desk::{Decided, Sent};
use super::records::{self as record_rows, Written};
use crate::platform::error::ApiError;
use crate::platform::jsonb::AsJson;
use crate::platform::sql::{Sql, sql};

/// The changed records, one or two statements a kind; a kind comes after those that it refers to.
pub(super) async fn records(
    conn: &AsyncPgConnection,
    kitroom: Uuid,
    working: &Working,
    named: &Named,
) -> Result<(), ApiError> {
    for kind in KINDS {
        let is_new = |record: &&Stored| named.made(record.id, working.is_new(kind.name, record.id));
        let (new, other): (Vec<&Stored>, Vec<&Stored>) =
            working.changed(kind.name).into_iter().partition(is_new);
        record_rows::write(conn, kitroom, kind, &new, Written::New).await?;
        record_rows::write(conn, kitroom, kind, &other, Written::Over).await?;
    }
    Ok(())
}

/// The records that the ops name, which were looked for under the lock.
pub(super) struct Named(HashSet<Uuid>);

impl Named {
    pub(super) fn by(decided: &[Decided<'_>]) -> Self {
        Self(decided.iter().map(|one| one.op.record_id).collect())
    }

    /// Whether a record that has come new cannot be there: to have the database look for it again costs a part of what
    /// writing it does. The ids of conflicts and of what settling makes are derived, and nobody has looked for them.
    fn made(&self, id: Uuid, is_new: bool) -> bool {
        is_new && self.0.contains(&id)
    }
}

/// What a transaction notes of its ops.
pub(super) struct Journal<'a> {
    decided: &'a [Decided<'a>],
    changes: Option<Changes<'a>>,
}

/// What has changed.
struct Changes<'a> {
    made: Vec<Moved<'a>>,
    others: Vec<Moved<'a>>,
    head: i64,
    mark: [u8; 16],
    at: DateTime<Utc>,
    digest_kinds: Vec<&'static str>,
    digest_counts: Vec<i64>,
    digest_sums: Vec<String>,
}

impl<'a> Journal<'a> {
    /// Computes it; nothing is sent yet.
    pub(super) fn of(
        working: &'a Working,
        head_before: i64,
        decided: &'a [Decided<'a>],
        named: &Named,
    ) -> Result<Self, ApiError> {
        let last = decided.last().filter(|_| working.head() != head_before);
        let changes = last.map(|last| Changes::of(working, named, at(last.sender.now))).transpose()?;
        Ok(Self { decided, changes })
    }

    /// The mark of the commit; none when nothing changes.
    pub(super) fn mark(&self) -> Option<Vec<u8>> {
        self.changes.as_ref().map(|changes| changes.mark.to_vec())
    }

    /// Writes the results of the ops; and when something changed, the index, the digests, the commit's mark and the
    /// kitroom's last number. One statement, so that a single weighing pays one round trip for all of it.
    pub(super) async fn write(&self, mut conn: &AsyncPgConnection, kitroom: Uuid) -> Result<(), ApiError> {
        let decided = self.decided;
        if decided.is_empty() {
            return Ok(());
        }
        let results: Vec<AsJson<_>> = decided.iter().map(|one| AsJson(&one.result)).collect();
        let replicas: Vec<Option<Uuid>> =
            decided.iter().map(|one| one.sender.replica.map(|(id, _)| id)).collect();
        let statement = sql::<()>(
            "with ops as (insert into applied_ops \
             (kitroom_id, op_id, op_no, op_hash, result, seq, replica_id, applied_at) select ",
        )
        .bind::<SqlUuid, _>(kitroom)
        .sql(", u.* from unnest(")
        .bind::<Array<SqlUuid>, _>(decided.iter().map(|one| one.op.op_id).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<Nullable<BigInt>>, _>(decided.iter().map(|one| one.op.op_no).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<Binary>, _>(decided.iter().map(|one| one.op.hash.to_vec()).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<Jsonb>, _>(results)
        .sql(", ")
        .bind::<Array<Nullable<BigInt>>, _>(decided.iter().map(|one| one.result.seq).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<Nullable<SqlUuid>>, _>(replicas)
        .sql(", ")
        .bind::<Array<Timestamptz>, _>(decided.iter().map(|one| at(one.sender.now)).collect::<Vec<_>>());
        let statement = match &self.changes {
            Some(changes) => changes.after(statement, kitroom),
            None => statement.sql(") u) select 1"),
        };
        statement.execute(&mut conn).await?;
        Ok(())
    }
}

impl<'a> Changes<'a> {
    fn of(working: &'a Working, named: &Named, at: DateTime<Utc>) -> Result<Self, ApiError> {
        let moved = working.moved();
        let moves = digest_moves(&moved);
        let mut mark = [0u8; 16];
        OsRng.try_fill_bytes(&mut mark).map_err(|error| ApiError::internal("no randomness", error))?;
        let (made, others) =
            moved.into_iter().partition(|one| named.made(one.record.id, one.before.is_none()));
        Ok(Self {
            made,
            others,
            head: working.head(),
            mark,
            at,
            digest_kinds: moves.keys().copied().collect(),
            digest_counts: moves.values().map(|(count, _)| *count).collect(),
            // The sum wraps at 2^64, which the database's own integers would refuse; so it is kept as an unsigned numeric.
            digest_sums: moves.values().map(|(_, sum)| sum.cast_unsigned().to_string()).collect(),
        })
    }

    fn after<'b>(&'b self, statement: Sql<'b>, kitroom: Uuid) -> Sql<'b> {
        let statement = statement.sql(") u), idx as (");
        let statement = index(statement, kitroom, &self.made).sql("), idy as (");
        index(statement, kitroom, &self.others)
            .sql(
                " on conflict (kitroom_id, kind, record_id) do update set seq = excluded.seq, \
                 deleted = excluded.deleted, row_hash = excluded.row_hash), \
                 dig as (insert into kind_digests (kitroom_id, kind, records, hash_sum) select ",
            )
            .bind::<SqlUuid, _>(kitroom)
            .sql(", u.kind, u.records, u.hash_sum::numeric from unnest(")
            .bind::<Array<Text>, _>(&self.digest_kinds)
            .sql(", ")
            .bind::<Array<BigInt>, _>(&self.digest_counts)
            .sql(", ")
            .bind::<Array<Text>, _>(&self.digest_sums)
            .sql(
                ") u(kind, records, hash_sum) on conflict (kitroom_id, kind) do update set \
                 records = kind_digests.records + excluded.records, \
                 hash_sum = (kind_digests.hash_sum + excluded.hash_sum) % 18446744073709551616), \
                 com as (insert into commits (kitroom_id, last_seq, mark, committed_at) values (",
            )
            .bind::<SqlUuid, _>(kitroom)
            .sql(", ")
            .bind::<BigInt, _>(self.head)
            .sql(", ")
            .bind::<Binary, _>(self.mark.to_vec())
            .sql(", ")
            .bind::<Timestamptz, _>(self.at)
            .sql(")) update kitrooms set head_seq = ")
            .bind::<BigInt, _>(self.head)
            .sql(" where id = ")
            .bind::<SqlUuid, _>(kitroom)
    }
}

/// The last numbers that the replicas have sent.
pub(super) async fn replicas(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    sent: &BTreeMap<Uuid, Sent>,
) -> Result<(), ApiError> {
    if sent.is_empty() {
        return Ok(());
    }
    sql::<()>(
        "insert into replicas (kitroom_id, replica_id, account_id, last_op_no, schema_version, last_seen_at) select ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(", u.* from unnest(")
    .bind::<Array<SqlUuid>, _>(sent.keys().copied().collect::<Vec<_>>())
    .sql(", ")
    .bind::<Array<SqlUuid>, _>(sent.values().map(|sent| sent.account).collect::<Vec<_>>())
    .sql(", ")
    .bind::<Array<BigInt>, _>(sent.values().map(|sent| sent.last_op_no).collect::<Vec<_>>())
    .sql(", ")
    .bind::<Array<Integer>, _>(sent.values().map(|sent| sent.schema).collect::<Vec<_>>())
    .sql(", ")
    .bind::<Array<Timestamptz>, _>(sent.values().map(|sent| at(sent.at)).collect::<Vec<_>>())
    .sql(
        ") u on conflict (kitroom_id, replica_id) do update set last_op_no = excluded.last_op_no, \
         schema_version = excluded.schema_version, last_seen_at = excluded.last_seen_at",
    )
    .execute(&mut conn)
    .await?;
    Ok(())
}

/// The places of records in the index.
fn index<'a>(statement: Sql<'a>, kitroom: Uuid, moved: &[Moved<'_>]) -> Sql<'a> {
    statement
        .sql("insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash) select ")
        .bind::<SqlUuid, _>(kitroom)
        .sql(", u.* from unnest(")
        .bind::<Array<Text>, _>(moved.iter().map(|one| one.kind.name).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<SqlUuid>, _>(moved.iter().map(|one| one.record.id).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<BigInt>, _>(moved.iter().map(|one| one.record.version).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<Bool>, _>(moved.iter().map(|one| one.record.deleted).collect::<Vec<_>>())
        .sql(", ")
        .bind::<Array<BigInt>, _>(moved.iter().map(|one| one.hash).collect::<Vec<_>>())
        .sql(") u")
}
