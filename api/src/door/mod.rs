//! The door: every change of a record is an op, and every op comes through [`apply_ops`]. It takes the kitroom's lock
//! first, reads under it, lets `domain` decide in memory, writes the survivors in bulk and leaves a mark, all in one
//! transaction. Nothing is answered before the commit.

mod load;
mod quota;
pub mod records;
mod refresh;
mod write;

use std::collections::{HashMap, HashSet};

use chrono::{DateTime, Utc};
use diesel::sql_types::{BigInt, Text, Uuid as SqlUuid};
use diesel_async::{AsyncConnection, AsyncPgConnection, RunQueryDsl};
use domain::sync::op::{Actor, Deciding, Op, OpResult, OpStatus, Role};
use domain::sync::record::Stored;
use domain::sync::working::{Working, refuse_group};
use domain::time::Timestamp;
use domain::wire::problem::{ErrorCode, Problem};
use futures_util::future::{try_join, try_join3};
use serde_json::Value;
use uuid::Uuid;

pub use self::load::open_to;
use crate::platform::error::ApiError;
use crate::platform::sql::sql;

/// Who sends a batch, and how.
#[derive(Debug, Clone, Copy)]
pub struct Sender {
    /// The account.
    pub account: Uuid,
    /// The replica and the schema version that it writes in; none for a change through a resource.
    pub replica: Option<(Uuid, i32)>,
    /// The epoch that the change rests on, for one that names the version it has read.
    pub if_epoch: Option<Uuid>,
    /// How many records the kitroom may hold.
    pub records_at_most: i64,
    /// When the service received it.
    pub now: Timestamp,
}

/// What came of a batch.
#[derive(Debug)]
pub struct Applied {
    /// The kitroom's epoch.
    pub epoch: Uuid,
    /// The number of its last change.
    pub head_seq: i64,
    /// The mark of the commit that made that change; none when nothing changed.
    pub mark: Option<Vec<u8>>,
    /// One result per op, in the order given.
    pub results: Vec<OpResult>,
    /// The records that the ops named, as they stand now.
    pub records: HashMap<Uuid, Stored>,
}

/// Applies a batch of ops to a kitroom. The groups stand in one transaction; each of them is taken whole or refused.
///
/// # Errors
/// `not-found` for a kitroom that the account is no member of; `replica-forked` and `op-gap` for a replica whose numbers
/// do not fit; `unavailable` and `internal` when nothing was stored.
pub async fn apply_ops(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    sender: Sender,
    ops: &[Op],
) -> Result<Applied, ApiError> {
    conn.transaction(async |conn| apply_locked(conn, kitroom, sender, ops).await).await
}

/// The same for a push: when the whole batch cannot be written, its groups are applied one by one, so that one that
/// the database refuses holds up no other that stands before it; what stands after is answered as not attempted.
///
/// # Errors
/// As [`apply_ops`], when not even the first group could be applied.
pub async fn push_ops(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    sender: Sender,
    ops: &[Op],
) -> Result<Applied, ApiError> {
    let failure = match apply_ops(conn, kitroom, sender, ops).await {
        Err(error) if error.problem().status == 500 && groups(ops).len() > 1 => error,
        other => return other,
    };
    let mut done: Option<Applied> = None;
    for range in groups(ops) {
        match apply_ops(conn, kitroom, sender, &ops[range]).await {
            Ok(applied) => match &mut done {
                None => done = Some(applied),
                Some(done) => {
                    done.head_seq = applied.head_seq;
                    done.mark = applied.mark.or(done.mark.take());
                    done.results.extend(applied.results);
                }
            },
            Err(_) => break,
        }
    }
    let mut done = done.ok_or(failure)?;
    let left = ops[done.results.len()..].iter().map(|op| OpResult {
        op_id: op.op_id,
        status: OpStatus::NotAttempted,
        seq: None,
        replayed: false,
        problem: None,
        conflict_ids: Vec::new(),
    });
    done.results.extend(left);
    Ok(done)
}

/// The ranges of ops that stand next to each other with the same group.
fn groups(ops: &[Op]) -> Vec<std::ops::Range<usize>> {
    let mut ranges: Vec<std::ops::Range<usize>> = Vec::new();
    for (at, op) in ops.iter().enumerate() {
        match ranges.last_mut() {
            Some(range) if ops[range.start].group == op.group => range.end = at + 1,
            _ => ranges.push(at..at + 1),
        }
    }
    ranges
}

struct Locked {
    epoch: Uuid,
    head_seq: i64,
    role: Role,
    /// How many records it holds.
    records: i64,
}

/// Takes the kitroom's lock and reads the sender's role under it, so that the right is that of this moment.
async fn lock(conn: &mut AsyncPgConnection, kitroom: Uuid, account: Uuid) -> Result<Locked, ApiError> {
    let rows: Vec<(Uuid, i64, String, i64)> = sql::<(SqlUuid, BigInt, Text, BigInt)>(
        "select k.epoch, k.head_seq, m.role, \
         (select coalesce(sum(d.records), 0)::bigint from kind_digests d where d.kitroom_id = k.id) \
         from kitrooms k join memberships m on m.kitroom_id = k.id where k.id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" and m.account_id = ")
    .bind::<SqlUuid, _>(account)
    .sql(" and m.removed_at is null and k.deleted_at is null for update of k for share of m")
    .load(conn)
    .await?;
    let (epoch, head_seq, role, records) = rows.into_iter().next().ok_or_else(ApiError::not_found)?;
    let role = Role::from_name(&role).ok_or_else(|| ApiError::internal("a role is unknown", &role))?;
    Ok(Locked { epoch, head_seq, role, records })
}

async fn apply_locked(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    sender: Sender,
    ops: &[Op],
) -> Result<Applied, ApiError> {
    let locked = lock(conn, kitroom, sender.account).await?;
    if sender.if_epoch.is_some_and(|epoch| epoch != locked.epoch) {
        let words = "the server was restored or copied since you read this; read it again";
        return Err(ApiError::new(ErrorCode::PreconditionFailed, words));
    }
    let replica = sender.replica.map(|(id, _)| id);
    let shared: &AsyncPgConnection = conn;
    let (known, last_op_no, named) = try_join3(
        load::known_ops(shared, kitroom, ops),
        load::last_op_no(shared, kitroom, replica, sender.account),
        load::named(shared, kitroom, ops),
    )
    .await?;
    let next_op_no = last_op_no.map(|last| check_numbers(last, ops, &known)).transpose()?;

    let mut working = Working::new(locked.head_seq);
    let fresh: Vec<&Op> = ops.iter().filter(|op| !known.contains_key(&op.op_id)).collect();
    load::records_for(conn, kitroom, sender.account, &mut working, named, ops, &fresh).await?;
    let deciding = Deciding {
        now: sender.now,
        actor: Actor { account: sender.account, role: locked.role, replica },
        refuse_future_times: sender.replica.is_none(),
    };
    let mut results = Vec::with_capacity(ops.len());
    let mut decided: Vec<(&Op, OpResult)> = Vec::with_capacity(fresh.len());
    let mut seen: HashSet<Uuid> = HashSet::new();
    for range in groups(ops) {
        let mut pending = Vec::new();
        for op in &ops[range] {
            match known.get(&op.op_id) {
                Some(known) => results.push((op.op_id, known.answer(op))),
                None if !seen.insert(op.op_id) => results.push((op.op_id, reused(op))),
                None => pending.push(op),
            }
        }
        let answers = match quota::over(&working, locked.records, sender.records_at_most, &pending) {
            Some((at, problem)) => refuse_group(&pending, at, problem),
            None => working.apply_group(&pending, &deciding),
        };
        for (op, result) in pending.iter().zip(answers) {
            let result = storable(result);
            results.push((op.op_id, result.clone()));
            decided.push((op, result));
        }
    }
    if sender.replica.is_none()
        && let Some(problem) = decided.iter().find_map(|(_, result)| result.problem.clone())
    {
        // A person is waiting for the answer and will mend the request: nothing of it is kept.
        return Err(problem.into());
    }
    if !decided.is_empty() {
        write::records(conn, kitroom, &working).await?;
        refresh::projections(conn, kitroom, &working).await?;
    }
    let (mark, ()) = try_join(
        write::journal(conn, kitroom, sender, &working, locked.head_seq, &decided),
        write::replica(conn, kitroom, sender, next_op_no),
    )
    .await?;
    let records =
        ops.iter().filter_map(|op| Some((op.record_id, working_record(&working, op)?.clone()))).collect();
    let results = in_order(ops, results);
    Ok(Applied { epoch: locked.epoch, head_seq: working.head(), mark, results, records })
}

fn working_record<'a>(working: &'a Working, op: &Op) -> Option<&'a Stored> {
    domain::sync::record::Lookup::get(working, &op.kind, op.record_id)
}

/// Groups give their answers together; the caller's order is that of the ops.
fn in_order(ops: &[Op], results: Vec<(Uuid, OpResult)>) -> Vec<OpResult> {
    let mut by_id: HashMap<Uuid, std::collections::VecDeque<OpResult>> = HashMap::new();
    for (id, result) in results {
        by_id.entry(id).or_default().push_back(result);
    }
    ops.iter().filter_map(|op| by_id.get_mut(&op.op_id)?.pop_front()).collect()
}

fn reused(op: &Op) -> OpResult {
    let words = format!("op {} stands here or was sent before with other content", op.op_id);
    OpResult {
        op_id: op.op_id,
        status: OpStatus::Rejected,
        seq: None,
        replayed: false,
        problem: Some(Problem::new(ErrorCode::OpIdReused, words)),
        conflict_ids: Vec::new(),
    }
}

/// A refusal quotes what was sent. U+0000 in it is replaced, because the database could not keep the answer, and an op
/// whose answer is not kept would hold up the replica for ever.
fn storable(mut result: OpResult) -> OpResult {
    fn mend(text: &mut String) {
        if text.contains('\0') {
            *text = text.replace('\0', "\u{fffd}");
        }
    }
    fn mend_in(value: &mut Value) {
        match value {
            Value::String(text) => mend(text),
            Value::Array(values) => values.iter_mut().for_each(mend_in),
            Value::Object(map) => {
                *map = std::mem::take(map)
                    .into_iter()
                    .map(|(mut name, mut value)| {
                        mend(&mut name);
                        mend_in(&mut value);
                        (name, value)
                    })
                    .collect();
            }
            _ => {}
        }
    }
    if let Some(problem) = &mut result.problem {
        problem.detail.iter_mut().for_each(mend);
        for error in &mut problem.errors {
            mend(&mut error.pointer);
            mend(&mut error.detail);
        }
        problem.more.values_mut().for_each(mend_in);
    }
    result
}

/// Checks that the numbers of the unknown ops go on without a gap where the replica left off; answers the number that
/// it stands at afterwards.
fn check_numbers(last: i64, ops: &[Op], known: &HashMap<Uuid, load::KnownOp>) -> Result<i64, ApiError> {
    let mut at = last;
    for op in ops {
        let Some(op_no) = op.op_no else { continue };
        if known.contains_key(&op.op_id) {
            // Sent before; one that reuses an id under a new number still takes up that number.
            at = at.max(if op_no == at + 1 { op_no } else { at });
        } else if op_no <= at {
            let words =
                format!("number {op_no} of this replica was used by another op; give the replica a new id");
            return Err(Problem::new(ErrorCode::ReplicaForked, words).with("last_op_no", last).into());
        } else if op_no > at + 1 {
            let words = format!("number {} comes next, not {op_no}; send the missing ops first", at + 1);
            return Err(Problem::new(ErrorCode::OpGap, words).with("last_op_no", last).into());
        } else {
            at = op_no;
        }
    }
    Ok(at)
}

/// A time as the database takes it.
fn at(time: Timestamp) -> DateTime<Utc> {
    time.utc()
}
