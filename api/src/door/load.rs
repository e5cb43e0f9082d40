//! What a batch needs to know before it can be decided, read under the kitroom's lock.

use std::collections::{BTreeMap, HashMap, HashSet};

use diesel::prelude::*;
use diesel::sql_types::{Array, Binary, Jsonb, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::kinds::{self, KINDS, Kind, reference_id};
use domain::sync::op::{Action, Op, OpResult};
use domain::sync::working::Working;
use domain::wire::problem::{ErrorCode, Problem};
use serde_json::Value;
use uuid::Uuid;

use super::{records, reused};
use crate::platform::error::ApiError;
use crate::platform::sql::sql;
use crate::schema::replicas;

/// An op that was decided before.
#[derive(Debug)]
pub struct KnownOp {
    hash: Vec<u8>,
    result: OpResult,
}

impl KnownOp {
    /// The stored answer, or a refusal when the id comes with other content.
    pub fn answer(&self, op: &Op) -> OpResult {
        if self.hash == op.hash { OpResult { replayed: true, ..self.result.clone() } } else { reused(op) }
    }
}

/// Those of the ops that were decided before.
pub async fn known_ops(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    ops: &[Op],
) -> Result<HashMap<Uuid, KnownOp>, ApiError> {
    let ids: Vec<Uuid> = ops.iter().map(|op| op.op_id).collect();
    let rows: Vec<(Uuid, Vec<u8>, Value)> =
        sql::<(SqlUuid, Binary, Jsonb)>("select op_id, op_hash, result from applied_ops where kitroom_id = ")
            .bind::<SqlUuid, _>(kitroom)
            .sql(" and op_id = any(")
            .bind::<Array<SqlUuid>, _>(ids)
            .sql(")")
            .load(conn)
            .await?;
    rows.into_iter()
        .map(|(id, hash, result)| {
            let result = serde_json::from_value(result)
                .map_err(|error| ApiError::internal("a stored result cannot be read", error))?;
            Ok((id, KnownOp { hash, result }))
        })
        .collect()
}

/// The last number that a replica has sent.
///
/// # Errors
/// `replica-forked` when the replica belongs to another account.
pub async fn last_op_no(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    replica: Uuid,
    account: Uuid,
) -> Result<i64, ApiError> {
    let row: Option<(Uuid, i64)> = replicas::table
        .find((kitroom, replica))
        .select((replicas::account_id, replicas::last_op_no))
        .first(conn)
        .await
        .optional()?;
    match row {
        None => Ok(0),
        Some((owner, last)) if owner == account => Ok(last),
        Some(_) => {
            let words = "this replica belongs to another account; give it a new id";
            Err(Problem::new(ErrorCode::ReplicaForked, words).with("last_op_no", 0).into())
        }
    }
}

/// How far references are followed: a weighing, its sitting, that one's scale; a superseded weighing and its item.
const DEPTH: usize = 4;

type Wanted = BTreeMap<&'static str, HashSet<Uuid>>;

/// Loads the records that the ops name, and what those and the offered bodies refer to.
pub async fn records_for(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    working: &mut Working,
    ops: &[Op],
    fresh: &[&Op],
) -> Result<(), ApiError> {
    let mut wanted = Wanted::new();
    for op in ops {
        if let Some(kind) = kinds::kind(&op.kind) {
            wanted.entry(kind.name).or_default().insert(op.record_id);
        }
    }
    for op in fresh {
        let Some(kind) = kinds::kind(&op.kind) else { continue };
        for reference in kind.refs {
            if let Some(id) = reference_id(&op.payload, reference.field) {
                wanted.entry(reference.kind).or_default().insert(id);
            }
        }
    }
    for _ in 0..DEPTH {
        let mut next = Wanted::new();
        for (name, ids) in std::mem::take(&mut wanted) {
            let Some(kind) = kinds::kind(name) else { continue };
            let ids: Vec<Uuid> = ids.into_iter().filter(|id| !working.holds(kind.name, *id)).collect();
            if ids.is_empty() {
                continue;
            }
            for record in records::find(conn, kitroom, kind, &ids).await? {
                for (reference, id) in kind.references(&record.body) {
                    next.entry(reference.kind).or_default().insert(id);
                }
                working.load(kind.name, record);
            }
        }
        if next.is_empty() {
            break;
        }
        wanted = next;
    }
    for op in fresh.iter().filter(|op| op.action == Action::Delete) {
        if let Some(kind) = kinds::kind(&op.kind) {
            note_referrers(conn, kitroom, working, kind, op.record_id, ops).await?;
        }
    }
    Ok(())
}

/// Notes whether a live record that the batch does not touch refers to this one.
async fn note_referrers(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    working: &mut Working,
    kind: &'static Kind,
    id: Uuid,
    ops: &[Op],
) -> Result<(), ApiError> {
    let touched: Vec<Uuid> = ops.iter().map(|op| op.record_id).collect();
    for from in KINDS {
        for reference in from.refs.iter().filter(|reference| reference.kind == kind.name) {
            let rows: Vec<(Uuid,)> = sql::<(SqlUuid,)>("select id from ")
                .sql(from.table)
                .sql(" where kitroom_id = ")
                .bind::<SqlUuid, _>(kitroom)
                .sql(" and ")
                .sql(reference.field)
                .sql(" = ")
                .bind::<SqlUuid, _>(id)
                .sql(" and not deleted and voided is null and id <> all(")
                .bind::<Array<SqlUuid>, _>(&touched)
                .sql(") limit 1")
                .load(conn)
                .await?;
            if !rows.is_empty() {
                working.refer(kind.name, id);
                return Ok(());
            }
        }
    }
    Ok(())
}
