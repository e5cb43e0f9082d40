//! What a batch needs to know before it can be decided, read under the kitroom's lock.

use std::collections::{BTreeMap, HashMap, HashSet};

use diesel::sql_types::{Array, BigInt, Binary, Jsonb, Text, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::kinds::{self, Companion, KINDS, Kind, reference_id};
use domain::sync::op::{Action, Op, OpResult};
use domain::sync::record::{Lookup, Stored};
use domain::sync::working::Working;
use domain::wire::shape::Object;
use futures_util::future::try_join_all;
use serde_json::Value;
use uuid::Uuid;

use super::desk::reused;
use super::{Batch, records};
use crate::platform::error::ApiError;
use crate::platform::jsonb::AsJson;
use crate::platform::sql::sql;

/// An op that was decided before.
#[derive(Debug)]
pub struct KnownOp {
    hash: Vec<u8>,
    result: OpResult,
}

impl KnownOp {
    /// An op that is decided.
    pub(super) fn new(op: &Op, result: &OpResult) -> Self {
        Self { hash: op.hash.to_vec(), result: result.clone() }
    }

    /// The stored answer, or a refusal when the id comes with other content.
    pub fn answer(&self, op: &Op) -> OpResult {
        if self.hash == op.hash { OpResult { replayed: true, ..self.result.clone() } } else { reused(op) }
    }
}

fn ops_of<'a>(batches: &[Batch<'a>]) -> impl Iterator<Item = &'a Op> {
    batches.iter().flat_map(|batch| batch.ops)
}

/// Those of the ops that were decided before.
pub(super) async fn known_ops(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    batches: &[Batch<'_>],
) -> Result<HashMap<Uuid, KnownOp>, ApiError> {
    let ids: Vec<Uuid> = ops_of(batches).map(|op| op.op_id).collect();
    let rows: Vec<(Uuid, Vec<u8>, AsJson<OpResult>)> =
        sql::<(SqlUuid, Binary, Jsonb)>("select op_id, op_hash, result from applied_ops where kitroom_id = ")
            .bind::<SqlUuid, _>(kitroom)
            .sql(" and op_id = any(")
            .bind::<Array<SqlUuid>, _>(ids)
            .sql(")")
            .load(&mut conn)
            .await?;
    let known = rows.into_iter().map(|(id, hash, result)| (id, KnownOp { hash, result: result.0 }));
    Ok(known.collect())
}

/// The account and the last number of each replica that sends one of the batches and has sent something before.
pub(super) async fn replicas(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    batches: &[Batch<'_>],
) -> Result<HashMap<Uuid, (Uuid, i64)>, ApiError> {
    let ids: Vec<Uuid> = batches.iter().filter_map(|batch| batch.sender.replica.map(|(id, _)| id)).collect();
    if ids.is_empty() {
        return Ok(HashMap::new());
    }
    let rows: Vec<(Uuid, Uuid, i64)> = sql::<(SqlUuid, SqlUuid, BigInt)>(
        "select replica_id, account_id, last_op_no from replicas where kitroom_id = ",
    )
    .bind::<SqlUuid, _>(kitroom)
    .sql(" and replica_id = any(")
    .bind::<Array<SqlUuid>, _>(ids)
    .sql(")")
    .load(&mut conn)
    .await?;
    Ok(rows.into_iter().map(|(id, account, last)| (id, (account, last))).collect())
}

/// How far references are followed: a weighing, its sitting, that one's scale; a superseded weighing and its item.
const DEPTH: usize = 4;

/// Ids of records by their kind.
type Wanted = BTreeMap<&'static str, HashSet<Uuid>>;

/// Records of some kinds, as they were read.
pub type Found = Vec<(&'static Kind, Vec<Stored>)>;

/// The records that the ops name, and those that their content refers to.
pub(super) async fn named(
    conn: &AsyncPgConnection,
    kitroom: Uuid,
    batches: &[Batch<'_>],
) -> Result<Found, ApiError> {
    let mut wanted = Wanted::new();
    for op in ops_of(batches) {
        let Some(kind) = kinds::kind(&op.kind) else { continue };
        wanted.entry(kind.name).or_default().insert(op.record_id);
        for (reference, id) in kind.references(&op.payload) {
            wanted.entry(reference.kind).or_default().insert(id);
        }
    }
    find(conn, kitroom, wanted).await
}

/// Reads records of several kinds, all statements at once: none has to wait for the one before.
async fn find(conn: &AsyncPgConnection, kitroom: Uuid, wanted: Wanted) -> Result<Found, ApiError> {
    let each = wanted.into_iter().filter_map(|(name, ids)| {
        let (kind, ids) = (kinds::kind(name)?, ids.into_iter().collect::<Vec<_>>());
        Some(async move { Ok::<_, ApiError>((kind, records::find(conn, kitroom, kind, &ids).await?)) })
    });
    try_join_all(each).await
}

/// Loads what the ops are decided on: the records that they name, `named`, what those refer to, the companions of all
/// these where a kind has such, and the open conflicts about them. Answers by account which of the other kitrooms that its
/// ops name are not its own.
pub(super) async fn records_for(
    conn: &mut AsyncPgConnection,
    kitroom: Uuid,
    working: &mut Working,
    named: Found,
    batches: &[Batch<'_>],
    known: &HashMap<Uuid, KnownOp>,
) -> Result<HashMap<Uuid, HashSet<Uuid>>, ApiError> {
    let is_fresh = |op: &&Op| !known.contains_key(&op.op_id);
    let fresh: Vec<&Op> = ops_of(batches).filter(is_fresh).collect();
    let mut loading = Loading { conn, kitroom, working };
    let mut next = Wanted::new();
    for (kind, found) in named {
        loading.take(kind, found, &mut next);
    }
    loading.records(next).await?;
    let mut closed = HashMap::new();
    for batch in batches {
        let fresh = batch.ops.iter().filter(is_fresh);
        let found = loading.closed_kitrooms(batch.sender.account, fresh).await?;
        closed.entry(batch.sender.account).or_insert_with(HashSet::new).extend(found);
    }
    loading.companions(&fresh).await?;
    loading.conflicts(&fresh).await?;
    loading.referrers(batches, &fresh).await?;
    Ok(closed)
}

/// Which of these kitrooms `account` is a member of at this moment.
///
/// # Errors
/// As the database fails.
pub async fn open_to(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    kitrooms: &[Uuid],
) -> Result<HashSet<Uuid>, ApiError> {
    let rows: Vec<(Uuid,)> = sql::<(SqlUuid,)>(
        "select m.kitroom_id from memberships m join kitrooms k on k.id = m.kitroom_id and k.deleted_at is null \
         where m.removed_at is null and m.account_id = ",
    )
    .bind::<SqlUuid, _>(account)
    .sql(" and m.kitroom_id = any(")
    .bind::<Array<SqlUuid>, _>(kitrooms.to_vec())
    .sql(")")
    .load(conn)
    .await?;
    Ok(rows.into_iter().map(|(kitroom,)| kitroom).collect())
}

struct Loading<'a> {
    conn: &'a mut AsyncPgConnection,
    kitroom: Uuid,
    working: &'a mut Working,
}

impl Loading<'_> {
    /// Which of the other kitrooms that the ops name are not the account's, or are not there: nobody learns which.
    async fn closed_kitrooms<'a>(
        &mut self,
        account: Uuid,
        fresh: impl Iterator<Item = &'a Op>,
    ) -> Result<HashSet<Uuid>, ApiError> {
        let mut named: HashSet<Uuid> = HashSet::new();
        for op in fresh {
            let settled = op.payload.get("value").and_then(Value::as_object);
            let kind = self.settled(op).map(|(kind, _)| kind).or_else(|| kinds::kind(&op.kind));
            let sent = kind
                .into_iter()
                .flat_map(|kind| [(kind, &op.payload)].into_iter().chain(settled.map(|s| (kind, s))));
            let bodies = self.bodies(op).into_iter().chain(sent);
            named.extend(bodies.flat_map(|(kind, body)| kind.kitrooms_named(body)).map(|(_, id)| id));
        }
        if named.is_empty() {
            return Ok(named);
        }
        let open = open_to(self.conn, account, &named.iter().copied().collect::<Vec<_>>()).await?;
        named.retain(|id| !open.contains(id));
        Ok(named)
    }

    /// The records, and what they refer to, a few references far.
    async fn records(&mut self, mut wanted: Wanted) -> Result<(), ApiError> {
        for _ in 0..DEPTH {
            for (name, ids) in &mut wanted {
                ids.retain(|id| !self.working.holds(name, *id));
            }
            wanted.retain(|_, ids| !ids.is_empty());
            if wanted.is_empty() {
                break;
            }
            let mut next = Wanted::new();
            for (kind, found) in find(self.conn, self.kitroom, wanted).await? {
                self.take(kind, found, &mut next);
            }
            wanted = next;
        }
        Ok(())
    }

    /// Lays records in and notes what they name.
    fn take(&mut self, kind: &'static Kind, found: Vec<Stored>, next: &mut Wanted) {
        for record in found {
            let named = kind.hooks.names.map(|names| names(&record.body)).unwrap_or_default();
            let referred = kind.references(&record.body).map(|(reference, id)| (reference.kind, id));
            for (kind, id) in referred.chain(named) {
                next.entry(kind).or_default().insert(id);
            }
            self.working.load(kind.name, record);
        }
    }

    /// The bodies that an op is about: the offered one, the stored one; for a conflict those of its record and facts, and
    /// what was offered for the record, which may not be there.
    fn bodies<'b>(&'b self, op: &'b Op) -> Vec<(&'static Kind, &'b Object)> {
        let Some(kind) = kinds::kind(&op.kind) else { return Vec::new() };
        let mut bodies = Vec::new();
        if matches!(op.action, Action::Append | Action::Create) {
            bodies.push((kind, &op.payload));
        }
        let stored = |kind: &Kind, id: Uuid| self.working.get(kind.name, id).map(|record| &record.body);
        if let Some(body) = stored(kind, op.record_id) {
            let named = kind.hooks.names.map(|names| names(body)).unwrap_or_default();
            let named = named.into_iter().filter_map(|(kind, id)| {
                let kind = kinds::kind(kind)?;
                Some((kind, stored(kind, id)?))
            });
            bodies.extend(named);
            bodies.push((kind, body));
            let offered = body.get("offered").and_then(Value::as_object);
            bodies.extend(self.settled(op).map(|(kind, _)| kind).zip(offered));
        }
        bodies
    }

    /// Records that name what an op's record names, one statement for each field that they name it by.
    async fn companions(&mut self, fresh: &[&Op]) -> Result<(), ApiError> {
        let mut wanted: BTreeMap<(&'static str, &'static str), (Companion, HashSet<Uuid>)> = BTreeMap::new();
        for op in fresh {
            let Some(kind) = kinds::kind(&op.kind) else { continue };
            if !kind.has_companions() && kind.hooks.names.is_none() {
                continue;
            }
            for (kind, body) in self.bodies(op) {
                for (companion, id) in kind.companions(body) {
                    let entry = wanted.entry((companion.kind, companion.field));
                    entry.or_insert_with(|| (companion, HashSet::new())).1.insert(id);
                }
            }
            // Settling decides between the facts that replace one.
            if let Some((kind, id)) = self.settled(op)
                && let Some(rivals) = kind.rivals()
            {
                let entry = wanted.entry((rivals.kind, rivals.field));
                entry.or_insert_with(|| (rivals, HashSet::new())).1.insert(id);
            }
        }
        let mut next = Wanted::new();
        for op in fresh {
            // The value that a conflict is settled with may refer to something.
            if let Some((kind, _)) = self.settled(op)
                && let Some(value) = op.payload.get("value").and_then(Value::as_object)
            {
                for (reference, id) in kind.references(value) {
                    next.entry(reference.kind).or_default().insert(id);
                }
            }
        }
        for (companion, ids) in wanted.into_values() {
            let Some(kind) = kinds::kind(companion.kind) else { continue };
            let mut statement = records::select(kind, self.kitroom)
                .sql(" and r.")
                .sql(companion.field)
                .sql(" = any(")
                .bind::<Array<SqlUuid>, _>(ids.into_iter().collect::<Vec<_>>())
                .sql(")");
            if let Some((field, values)) = companion.only {
                statement = statement
                    .sql(" and r.")
                    .sql(field)
                    .sql(" = any(")
                    .bind::<Array<Text>, _>(values)
                    .sql(")");
            }
            let found = records::load(self.conn, statement).await?;
            let found =
                found.into_iter().filter(|record| !self.working.holds(kind.name, record.id)).collect();
            self.take(kind, found, &mut next);
        }
        self.records(next).await
    }

    /// The record that a conflict to be settled is about.
    fn settled(&self, op: &Op) -> Option<(&'static Kind, Uuid)> {
        let conflict = self.working.get(&op.kind, op.record_id).filter(|_| op.action == Action::Settle)?;
        let kind = conflict.body.get("kind")?.as_str().and_then(kinds::kind)?;
        Some((kind, reference_id(&conflict.body, "record_id")?))
    }

    /// The open conflicts about what the ops change: a plain new fact or record concerns none.
    async fn conflicts(&mut self, fresh: &[&Op]) -> Result<(), ApiError> {
        let mut about: HashSet<Uuid> = HashSet::new();
        for op in fresh {
            let Some(kind) = kinds::kind(&op.kind) else { continue };
            let makes = matches!(op.action, Action::Append | Action::Create);
            if !makes || kind.hooks.freeze.is_some() {
                about.insert(op.record_id);
            }
            about.extend(self.settled(op).map(|(_, id)| id));
            if !kind.is_fact() {
                continue;
            }
            for (kind, body) in self.bodies(op) {
                about.extend(kind.companions(body).map(|(_, id)| id));
                let referred = kind.references(body).filter(|(reference, id)| {
                    !makes || self.working.get(reference.kind, *id).is_some_and(|record| record.deleted)
                });
                about.extend(referred.map(|(_, id)| id));
            }
        }
        if about.is_empty() {
            return Ok(());
        }
        let kind = &kinds::conflict::KIND;
        let statement = records::select(kind, self.kitroom)
            .sql(" and r.open and r.record_id = any(")
            .bind::<Array<SqlUuid>, _>(about.into_iter().collect::<Vec<_>>())
            .sql(")");
        let found = records::load(self.conn, statement).await?;
        let found = found.into_iter().filter(|record| !self.working.holds(kind.name, record.id)).collect();
        let mut next = Wanted::new();
        self.take(kind, found, &mut next);
        self.records(next).await
    }

    /// Notes which of the records that may be deleted a live record refers to that the batch does not touch: one
    /// statement for each field that could.
    async fn referrers(&mut self, batches: &[Batch<'_>], fresh: &[&Op]) -> Result<(), ApiError> {
        let mut deleted: BTreeMap<&'static str, Vec<Uuid>> = BTreeMap::new();
        for op in fresh {
            let target = match op.action {
                Action::Delete => kinds::kind(&op.kind).map(|kind| (kind, op.record_id)),
                Action::Settle => self.settled(op).filter(|(kind, _)| !kind.is_fact()),
                _ => None,
            };
            if let Some((kind, id)) = target {
                deleted.entry(kind.name).or_default().push(id);
            }
        }
        if deleted.is_empty() {
            return Ok(());
        }
        let touched: Vec<Uuid> = ops_of(batches).map(|op| op.record_id).collect();
        for from in KINDS {
            for reference in from.refs {
                let Some(ids) = deleted.get(reference.kind) else { continue };
                let rows: Vec<(Uuid,)> = sql::<(SqlUuid,)>("select distinct ")
                    .sql(reference.field)
                    .sql(" from ")
                    .sql(from.table)
                    .sql(" where kitroom_id = ")
                    .bind::<SqlUuid, _>(self.kitroom)
                    .sql(" and ")
                    .sql(reference.field)
                    .sql(" = any(")
                    .bind::<Array<SqlUuid>, _>(ids)
                    .sql(") and not deleted and voided is null and id <> all(")
                    .bind::<Array<SqlUuid>, _>(&touched)
                    .sql(")")
                    .load(self.conn)
                    .await?;
                for (id,) in rows {
                    self.working.refer(reference.kind, id);
                }
            }
        }
        Ok(())
    }
}
