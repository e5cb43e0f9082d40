//! What the database holds after a history, and what each replica holds: what the checker compares.

use std::collections::{BTreeMap, BTreeSet};

use api::door::records;
use diesel_async::{AsyncConnection, AsyncPgConnection};
use domain::kinds::{self, KINDS};
use domain::sync::canonical::{self, row_hash};
use domain::sync::op::{OpResult, OpStatus};
use domain::sync::record::Stored;
use domain::wire::shape::Object;
use serde_json::Value;
use tokio_postgres::Client;
use uuid::Uuid;

/// A record in its table, with its place in the feed.
#[derive(Debug, Clone)]
pub struct Row {
    /// Its kind.
    pub kind: String,
    /// Its id.
    pub id: Uuid,
    /// The number of its last change, by the feed's index.
    pub seq: i64,
    /// Whether it is deleted.
    pub deleted: bool,
    /// What its kind stores.
    pub body: Object,
    /// The record as it goes over the wire, in canonical spelling.
    pub wire: String,
}

/// An op that was decided.
#[derive(Debug, Clone, Copy)]
pub struct Decided {
    /// How it ended.
    pub status: OpStatus,
    /// The change that it became.
    pub seq: Option<i64>,
    /// How many conflicts keep a part of it.
    pub conflicts: i64,
}

/// By kind: how many records, and the sum of their hashes.
pub type Sums = BTreeMap<String, (i64, String)>;

/// What the database holds of a kitroom.
#[derive(Debug, Clone, Default)]
pub struct Truth {
    /// The number of the last change.
    pub head: i64,
    /// Every record.
    pub rows: Vec<Row>,
    /// The number of every change that was ever committed, where the database noted them ([`note_moves`]). A change that
    /// another one of the same record followed in the same commit is not among them.
    pub moves: Option<Vec<i64>>,
    /// The last number of every commit.
    pub commits: Vec<i64>,
    /// The ops that were decided.
    pub decided: BTreeMap<Uuid, Decided>,
    /// The digest as the service keeps it, deleted records left out.
    pub digest: Sums,
}

/// A record on a replica.
#[derive(Debug, Clone)]
pub struct Held {
    /// Its kind.
    pub kind: String,
    /// Its id.
    pub id: Uuid,
    /// The number of its last change.
    pub seq: i64,
    /// Whether it is deleted.
    pub deleted: bool,
    /// The record as it came, in canonical spelling.
    pub wire: Option<String>,
}

/// What a replica holds in the end.
#[derive(Debug, Clone, Default)]
pub struct Final {
    /// What it is called in the checker's words.
    pub name: String,
    /// What the service told it.
    pub held: Vec<Held>,
    /// The ops that its person made.
    pub made: BTreeSet<Uuid>,
    /// Those that still wait.
    pub pending: BTreeSet<Uuid>,
    /// Those that were refused, kept with the reason.
    pub refused: BTreeSet<Uuid>,
    /// Those that went down with its folder when an older copy was put back.
    pub gone: BTreeSet<Uuid>,
}

/// A record in canonical spelling.
#[must_use]
pub fn spelled(record: &Object) -> String {
    let bytes = canonical::to_vec(&Value::Object(record.clone())).unwrap_or_default();
    String::from_utf8_lossy(&bytes).into_owned()
}

/// The digest over records that are not deleted, as a replica computes it.
#[must_use]
pub fn sums(held: &[Held]) -> Sums {
    let mut sums: BTreeMap<String, (i64, i64)> = BTreeMap::new();
    for one in held.iter().filter(|one| !one.deleted) {
        let record = one.wire.as_deref().and_then(|text| serde_json::from_str::<Object>(text).ok());
        let stored =
            kinds::kind(&one.kind).zip(record).and_then(|(kind, record)| Stored::from_wire(kind, &record));
        let hash = stored.map_or(0, |stored| row_hash(&one.kind, &stored));
        let (count, sum) = sums.entry(one.kind.clone()).or_default();
        *count += 1;
        *sum = sum.wrapping_add(hash);
    }
    sums.into_iter().map(|(kind, (count, sum))| (kind, (count, format!("{sum:016x}")))).collect()
}

/// Has the database note every change from now on, so that a number that was skipped is found.
///
/// # Panics
/// When the statements fail.
pub async fn note_moves(sql: &Client) {
    let statements = "create table proof_moves (kitroom_id uuid not null, seq bigint not null); \
         create function proof_note() returns trigger language plpgsql as \
         $$ begin insert into proof_moves values (new.kitroom_id, new.seq); return new; end $$; \
         create trigger proof_note after insert or update of seq on sync_index \
         for each row execute function proof_note()";
    sql.batch_execute(statements).await.expect("the database takes a trigger");
}

impl Truth {
    /// Reads a kitroom. Nobody may write meanwhile.
    ///
    /// # Panics
    /// When it cannot be read.
    pub async fn read(url: &str, sql: &Client, kitroom: Uuid) -> Self {
        let head = sql.query_one("select head_seq from kitrooms where id = $1", &[&kitroom]).await;
        let head = head.expect("the kitroom is there").get(0);
        let conn = AsyncPgConnection::establish(url).await.expect("the database answers");
        let places = places(sql, kitroom).await;
        let seq_of = |kind: &str, id: Uuid| places.get(&(kind.to_owned(), id)).map_or(-1, |place| place.seq);
        let mut rows = Vec::new();
        for kind in KINDS {
            let stored =
                records::load(&conn, records::select(kind, kitroom)).await.expect("a table can be read");
            for record in stored {
                let seq = seq_of(kind.name, record.id);
                rows.push(Row {
                    kind: kind.name.to_owned(),
                    id: record.id,
                    seq,
                    deleted: record.deleted,
                    wire: spelled(&record.to_wire()),
                    body: record.body,
                });
            }
        }
        let (moves, commits) = tokio::join!(moves(sql, kitroom), commits(sql, kitroom));
        let (decided, digest) = tokio::join!(decided(sql, kitroom), digest(sql, kitroom));
        Self { head, rows, moves, commits, decided, digest }
    }
}

/// Where a record stands in the feed.
#[derive(Debug, Clone, Copy)]
pub struct Place {
    /// The number of its last change.
    pub seq: i64,
    /// Whether that deleted it.
    pub deleted: bool,
}

/// The feed's index, by kind and id.
///
/// # Panics
/// When it cannot be read.
pub async fn places(sql: &Client, kitroom: Uuid) -> BTreeMap<(String, Uuid), Place> {
    let query = "select kind, record_id, seq, deleted from sync_index where kitroom_id = $1";
    let rows = sql.query(query, &[&kitroom]).await.expect("the index can be read");
    let place = |row: &tokio_postgres::Row| Place { seq: row.get(2), deleted: row.get(3) };
    rows.iter().map(|row| ((row.get(0), row.get(1)), place(row))).collect()
}

async fn moves(sql: &Client, kitroom: Uuid) -> Option<Vec<i64>> {
    let rows = sql
        .query("select seq from proof_moves where kitroom_id = $1 order by seq", &[&kitroom])
        .await
        .ok()?;
    Some(rows.iter().map(|row| row.get(0)).collect())
}

async fn commits(sql: &Client, kitroom: Uuid) -> Vec<i64> {
    let query = "select last_seq from commits where kitroom_id = $1 order by last_seq";
    let rows = sql.query(query, &[&kitroom]).await.expect("the marks can be read");
    rows.iter().map(|row| row.get(0)).collect()
}

async fn decided(sql: &Client, kitroom: Uuid) -> BTreeMap<Uuid, Decided> {
    let rows = sql.query("select op_id, result from applied_ops where kitroom_id = $1", &[&kitroom]).await;
    let read = |row: &tokio_postgres::Row| {
        let result: OpResult = serde_json::from_value(row.get(1)).expect("a stored result");
        let conflicts = i64::try_from(result.conflict_ids.len()).unwrap_or(0);
        (row.get(0), Decided { status: result.status, seq: result.seq, conflicts })
    };
    rows.expect("the ops can be read").iter().map(read).collect()
}

async fn digest(sql: &Client, kitroom: Uuid) -> Sums {
    // What the service adds up as it goes, less the deleted ones; kinds that are down to nothing are left out.
    let query = "select d.kind, d.records - count(x.seq), \
                 (d.hash_sum - coalesce(sum(x.row_hash::numeric), 0))::text \
                 from kind_digests d left join sync_index x \
                 on x.kitroom_id = d.kitroom_id and x.kind = d.kind and x.deleted \
                 where d.kitroom_id = $1 group by d.kind, d.records, d.hash_sum";
    let rows = sql.query(query, &[&kitroom]).await.expect("the digest can be read");
    let read = |row: &tokio_postgres::Row| {
        let (kind, count, sum): (String, i64, String) = (row.get(0), row.get(1), row.get(2));
        let sum: i128 = sum.parse().expect("a whole number");
        (kind, (count, format!("{:016x}", sum.rem_euclid(1 << 64))))
    };
    rows.iter().map(read).filter(|(_, (count, _))| *count > 0).collect()
}
