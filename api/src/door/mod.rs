//! The door: every change of a record is an op, and every op comes through [`apply_ops`] or, with other pushes that wait
//! for the same kitroom, [`Pushes`]. Both take the kitroom's lock first, read under it, let `domain` decide in memory,
//! write the survivors in bulk and leave a mark, all in one transaction. Nothing is answered before the commit.

mod desk;
mod load;
mod pushes;
mod quota;
pub mod records;
mod refresh;
mod write;

use std::collections::{BTreeSet, HashMap};

use chrono::{DateTime, Utc};
use diesel::sql_types::{Array, BigInt, Text, Uuid as SqlUuid};
use diesel_async::{
    AnsiTransactionManager, AsyncConnection, AsyncPgConnection, RunQueryDsl, SimpleAsyncConnection,
    TransactionManager,
};
use domain::sync::op::{Op, OpResult, OpStatus, Role};
use domain::sync::record::{Lookup, Stored};
use domain::sync::working::Working;
use domain::time::Timestamp;
use futures_util::future::{try_join, try_join3};
use tokio::task::yield_now;
use uuid::Uuid;

use self::desk::Desk;
use self::load::KnownOp;
pub use self::load::open_to;
pub use self::pushes::Pushes;
use self::refresh::Stale;
use self::write::{Journal, Named};
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
    /// The records that the ops of a change through a resource named, as they stand now.
    pub records: HashMap<Uuid, Stored>,
}

/// Ops and who sends them.
#[derive(Debug, Clone, Copy)]
struct Batch<'a> {
    sender: Sender,
    ops: &'a [Op],
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
    let batch = [Batch { sender, ops }];
    conn.transaction(async |conn| {
        let locked = lock(conn, kitroom, &batch).await?;
        let read = Read::of(conn, kitroom, &batch).await?;
        let mut applied = apply_locked(conn, kitroom, &batch, locked, read).await?;
        applied.pop().unwrap_or_else(|| Err(ApiError::internal("the door gave no answer", kitroom)))
    })
    .await
}

/// Applies batches of several replicas in one transaction, one after the other. Each has its own answer.
///
/// # Errors
/// When nothing of any of them was stored.
async fn apply_together(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    batches: &[Batch<'_>],
) -> Result<Vec<Result<Applied, ApiError>>, ApiError> {
    let work = async |conn: &mut AsyncPgConnection| {
        let shared: &AsyncPgConnection = conn;
        let (locked, read) =
            try_join(lock(shared, kitroom, batches), Read::of(shared, kitroom, batches)).await?;
        apply_locked(conn, kitroom, batches, locked, read).await
    };
    with_lock(conn, kitroom, work).await
}

/// Begins a transaction that has the kitroom's lock from its first statement on, so that everything in it is read under
/// the lock, in whatever order.
async fn with_lock<T>(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    work: impl AsyncFnOnce(&mut AsyncPgConnection) -> Result<T, ApiError>,
) -> Result<T, ApiError> {
    // Two statements in one round trip cannot have binds. An id has one spelling, without anything to escape.
    let begin = format!("begin; select 1 from kitrooms where id = '{kitroom}' for update");
    if let Err(error) = AnsiTransactionManager::begin_transaction_sql(conn, &begin).await {
        // The lock may be what has failed, in a transaction that has begun.
        conn.batch_execute("rollback").await?;
        return Err(error.into());
    }
    match work(conn).await {
        Ok(done) => {
            AnsiTransactionManager::commit_transaction(conn).await?;
            Ok(done)
        }
        Err(error) => {
            AnsiTransactionManager::rollback_transaction(conn).await?;
            Err(error)
        }
    }
}

/// The same as [`apply_ops`] for a push: when the whole batch cannot be written, its groups are applied one by one, so
/// that one that the database refuses holds up no other that stands before it; what stands after is answered as not
/// attempted.
///
/// # Errors
/// As [`apply_ops`], when not even the first group could be applied.
async fn push_ops(
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
    /// The roles of those of the accounts that are members.
    roles: HashMap<Uuid, Role>,
    /// How many records it holds.
    records: i64,
}

fn accounts(batches: &[Batch<'_>]) -> BTreeSet<Uuid> {
    batches.iter().map(|batch| batch.sender.account).collect()
}

/// Takes the kitroom's lock and reads the senders' roles under it, so that the right is that of this moment.
///
/// # Errors
/// `not-found` when none of them is a member.
async fn lock(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    batches: &[Batch<'_>],
) -> Result<Locked, ApiError> {
    let rows: Vec<(Uuid, i64, Uuid, String, i64)> = sql::<(SqlUuid, BigInt, SqlUuid, Text, BigInt)>(
        "select k.epoch, k.head_seq, m.account_id, m.role, \
         (select coalesce(sum(d.records), 0)::bigint from kind_digests d where d.kitroom_id = k.id) \
         from kitrooms k join memberships m on m.kitroom_id = k.id where k.id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" and m.account_id = any(")
    .bind::<Array<SqlUuid>, _>(accounts(batches).into_iter().collect::<Vec<_>>())
    .sql(") and m.removed_at is null and k.deleted_at is null for update of k for share of m")
    .load(&mut conn)
    .await?;
    let (epoch, head_seq, _, _, records) = *rows.as_slice().first().ok_or_else(ApiError::not_found)?;
    let role = |(_, _, account, role, _): (Uuid, i64, Uuid, String, i64)| {
        let role = Role::from_name(&role).ok_or_else(|| ApiError::internal("a role is unknown", &role))?;
        Ok((account, role))
    };
    let roles = rows.into_iter().map(role).collect::<Result<_, ApiError>>()?;
    Ok(Locked { epoch, head_seq, roles, records })
}

/// What is read of a kitroom before batches are decided.
struct Read {
    known: HashMap<Uuid, KnownOp>,
    replicas: HashMap<Uuid, (Uuid, i64)>,
    named: load::Found,
}

impl Read {
    /// Under the lock.
    async fn of(conn: &AsyncPgConnection, kitroom: Uuid, batches: &[Batch<'_>]) -> Result<Self, ApiError> {
        let known = load::known_ops(conn, kitroom, batches);
        let replicas = load::replicas(conn, kitroom, batches);
        let named = load::named(conn, kitroom, batches);
        let (known, replicas, named) = try_join3(known, replicas, named).await?;
        Ok(Self { known, replicas, named })
    }
}

async fn apply_locked(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    batches: &[Batch<'_>],
    locked: Locked,
    read: Read,
) -> Result<Vec<Result<Applied, ApiError>>, ApiError> {
    let (epoch, head_before) = (locked.epoch, locked.head_seq);
    let Read { known, replicas, named } = read;
    let mut working = Working::new(head_before);
    let closed = load::records_for(conn, kitroom, &mut working, named, batches, &known).await?;
    let mut desk = Desk::new(locked, working, known, replicas, closed);
    let answers: Vec<_> = batches.iter().map(|batch| desk.decide(*batch)).collect();

    let Desk { working, decided, sent, .. } = desk;
    let shared: &AsyncPgConnection = conn;
    // The database has the records to write while the journal is computed, and the journal while the projections are.
    // None of these statements needs another of the same join. Yielding lets the connection send what was asked first.
    let stale = Stale::of(&working);
    let named = Named::by(&decided);
    let records = write::records(shared, kitroom, &working, &named);
    let journal = async {
        yield_now().await;
        Journal::of(&working, head_before, &decided, &named)
    };
    let weighings = stale.weighings(shared, kitroom);
    let ((), weighings, journal) = try_join3(records, weighings, journal).await?;
    let refresh = async {
        yield_now().await;
        stale.refresh(shared, kitroom, &working, weighings).await
    };
    try_join3(journal.write(shared, kitroom), write::replicas(shared, kitroom, &sent), refresh).await?;
    let mark = journal.mark();
    let applied = |(batch, answer): (&Batch<'_>, Result<Vec<OpResult>, ApiError>)| {
        let results = answer?;
        let through_resource = batch.ops.iter().filter(|_| batch.sender.replica.is_none());
        let records = through_resource
            .filter_map(|op| Some((op.record_id, Lookup::get(&working, &op.kind, op.record_id)?.clone())));
        Ok(Applied {
            epoch,
            head_seq: working.head(),
            mark: mark.clone(),
            records: records.collect(),
            results,
        })
    };
    Ok(batches.iter().zip(answers).map(applied).collect())
}

/// A time as the database takes it.
fn at(time: Timestamp) -> DateTime<Utc> {
    time.utc()
}
