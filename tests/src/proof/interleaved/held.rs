//! Transactions of a second connection that are open for as long as the history likes.

use api::door::{Sender, apply_ops};
use api::platform::error::ApiError;
use diesel_async::{AsyncConnection, AsyncPgConnection};
use domain::sync::op::{Action, Op, OpResult, OpStatus};
use domain::time::Timestamp;
use domain::wire::problem::ErrorCode;
use domain::wire::shape::Object;
use serde_json::{Value, json};
use tokio::sync::oneshot;
use tokio::task::JoinHandle;
use tokio_postgres::Client;
use uuid::Uuid;

use crate::proof::histories::chance::Chance;
use crate::proof::histories::device::hash;

/// What a second connection holds open.
pub(super) enum Held {
    /// Statements after `begin`, on a connection of their own.
    Plain { sql: Client, is_lock: bool, saw: i64 },
    /// The door's own transaction, before its commit.
    Numbers { ops: Vec<Op>, end: oneshot::Sender<bool>, task: JoinHandle<Result<Vec<OpResult>, ApiError>> },
}

/// How it ended.
pub(super) enum Let {
    Go,
    /// These ops were committed; with their results.
    Committed(Vec<(Op, OpResult)>),
    /// These were rolled back.
    RolledBack(Vec<Op>),
}

/// Takes the kitroom's lock and does nothing.
pub(super) async fn lock(sql: Client, kitroom: Uuid) -> Held {
    let lock = format!("begin; select 1 from kitrooms where id = '{kitroom}' for update");
    sql.batch_execute(&lock).await.expect("nobody holds the lock for long");
    Held::Plain { sql, is_lock: true, saw: 0 }
}

/// Keeps a snapshot, and is an old writer in the eyes of everybody else.
pub(super) async fn snapshot(sql: Client, kitroom: Uuid) -> Held {
    let begin = "begin isolation level repeatable read; select pg_current_xact_id()";
    sql.batch_execute(begin).await.expect("a transaction can begin");
    let saw = head(&sql, kitroom).await;
    Held::Plain { sql, is_lock: false, saw }
}

async fn head(sql: &Client, kitroom: Uuid) -> i64 {
    let row = sql.query_one("select head_seq from kitrooms where id = $1", &[&kitroom]).await;
    row.expect("the kitroom is there").get(0)
}

/// Has the service's own door write an item and two weighings of it, up to the commit.
pub(super) async fn numbers(url: &str, kitroom: Uuid, account: Uuid, ops: Vec<Op>, now: Timestamp) -> Held {
    let mut conn = AsyncPgConnection::establish(url).await.expect("the database answers");
    let (begun, has_begun) = oneshot::channel();
    let (end, ended) = oneshot::channel();
    let sent = ops.clone();
    let task = tokio::spawn(async move {
        conn.transaction(async |conn| {
            let replica = Some((replica_of(&sent), 1));
            let sender = Sender { account, replica, if_epoch: None, records_at_most: 100_000, now };
            let applied = apply_ops(conn, kitroom, sender, &sent).await?;
            let _ = begun.send(());
            match ended.await {
                Ok(true) => Ok(applied.results),
                _ => Err(ApiError::new(ErrorCode::Unavailable, "rolled back")),
            }
        })
        .await
    });
    drop(has_begun.await);
    Held::Numbers { ops, end, task }
}

/// Each of these transactions is a replica of its own, so that one that is rolled back leaves no numbers missing.
fn replica_of(ops: &[Op]) -> Uuid {
    ops[0].op_id
}

impl Held {
    pub(super) fn is_snapshot(&self) -> bool {
        matches!(self, Held::Plain { is_lock: false, .. })
    }

    /// Lets go; a transaction that has written commits, or not.
    pub(super) async fn let_go(self, kitroom: Uuid, commit: bool) -> Let {
        match self {
            Held::Plain { sql, is_lock, saw } => {
                if !is_lock {
                    assert_eq!(head(&sql, kitroom).await, saw, "a snapshot is one moment");
                }
                sql.batch_execute("commit").await.expect("a transaction can end");
                Let::Go
            }
            Held::Numbers { ops, end, task } => {
                let _ = end.send(commit);
                match task.await.expect("the transaction does not panic") {
                    Ok(results) => Let::Committed(ops.into_iter().zip(results).collect()),
                    Err(_) if !commit => Let::RolledBack(ops),
                    Err(error) => panic!("a transaction that was held failed: {error:?}"),
                }
            }
        }
    }
}

/// What the second connection writes: an item and two weighings of it.
pub(super) fn own_ops(chance: &mut Chance, now: Timestamp) -> Vec<Op> {
    let (item, word) = (chance.id(), format!("h{}", chance.roll()));
    let weighing = |id: Uuid, grams: f64| {
        let body =
            json!({"item_id": item, "resolution_g": 1, "reading_g": grams, "observed_at": now, "note": word});
        ("weighing", id, Action::Append, body)
    };
    let made = ("item", item, Action::Create, json!({"name": word, "kind": "gloves"}));
    let drafts = [made, weighing(chance.id(), 85.0), weighing(chance.id(), 86.0)];
    let op = |(n, (kind, record_id, action, body)): (usize, (&str, Uuid, Action, Value))| {
        let payload: Object = body.as_object().cloned().unwrap_or_default();
        let op_id = if action == Action::Append { record_id } else { chance.id() };
        let mut op = Op {
            op_id,
            op_no: i64::try_from(n + 1).ok(),
            group: word.clone(),
            kind: kind.to_owned(),
            record_id,
            action,
            base_seq: 0,
            payload,
            done_at: Some(now),
            hash: [0; 32],
            if_version: None,
        };
        hash(&mut op);
        op
    };
    drafts.into_iter().enumerate().map(op).collect()
}

/// Whether a result says that the op was taken.
pub(super) fn is_taken(result: &OpResult) -> bool {
    !matches!(result.status, OpStatus::Rejected | OpStatus::NotAttempted)
}
