//! Waiting for changes. Whoever waits holds a place in this table and nothing else: no connection, no transaction. A
//! change of this process wakes those who wait for its kitroom once it is committed; for changes of other processes on
//! the same database one question a second is asked for all who wait.

use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};
use std::time::Duration;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::Method;
use actix_web::middleware::Next;
use actix_web::web::Data;
use diesel::sql_types::{Array, BigInt, Uuid as SqlUuid};
use diesel_async::RunQueryDsl;
use tokio::sync::{Notify, watch};
use tokio::time::{Instant, sleep, sleep_until};
use uuid::Uuid;

use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::path_id;
use crate::platform::sql::sql;

/// How often the database is asked for changes of other processes.
const POLL: Duration = Duration::from_secs(1);

/// All who wait.
#[derive(Debug, Default)]
pub struct Waits(Mutex<Table>);

#[derive(Debug, Default)]
struct Table {
    kitrooms: HashMap<Uuid, Waited>,
    accounts: HashMap<Uuid, VecDeque<(u64, Arc<Notify>)>>,
    last_id: u64,
    polled_at: Option<Instant>,
    over: bool,
}

/// A kitroom that somebody waits for.
#[derive(Debug)]
struct Waited {
    changed: watch::Sender<()>,
    by: usize,
    /// The epoch and the last change that those who wait have seen.
    seen: Option<(Uuid, i64)>,
}

/// Why a wait went on no longer.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Woken {
    /// The kitroom may have changed.
    Changed,
    /// The time is up, the service stops, or the account waits elsewhere too often.
    Ended,
}

impl Waits {
    fn table(&self) -> MutexGuard<'_, Table> {
        self.0.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Begins to wait for a kitroom. What changes from now on is noticed, so the kitroom is to be read after this. When
    /// the account waits `at_most` times already, its oldest wait ends: a device that lost its connection has left one
    /// behind.
    #[must_use]
    pub fn begin(waits: &Data<Self>, kitroom: Uuid, account: Uuid, at_most: usize) -> Wait {
        let mut table = waits.table();
        table.last_id += 1;
        let (id, ended) = (table.last_id, Arc::new(Notify::new()));
        if table.over {
            ended.notify_one();
        }
        let own = table.accounts.entry(account).or_default();
        own.push_back((id, ended.clone()));
        for (_, oldest) in own.iter().take(own.len().saturating_sub(at_most)) {
            oldest.notify_one();
        }
        let waited = table.kitrooms.entry(kitroom).or_insert_with(|| Waited {
            changed: watch::Sender::new(()),
            by: 0,
            seen: None,
        });
        waited.by += 1;
        let changed = waited.changed.subscribe();
        drop(table);
        Wait { waits: waits.clone(), id, kitroom, account, changed, ended }
    }

    /// Wakes all who wait for a kitroom.
    pub fn wake(&self, kitroom: Uuid) {
        if let Some(waited) = self.table().kitrooms.get(&kitroom) {
            waited.changed.send_replace(());
        }
    }

    /// Ends all waits, those that are still to begin as well.
    pub fn end(&self) {
        let mut table = self.table();
        table.over = true;
        table.accounts.values().flatten().for_each(|(_, ended)| ended.notify_one());
    }

    /// Whether all have ended.
    #[must_use]
    pub fn are_over(&self) -> bool {
        self.table().over
    }

    /// How many wait.
    #[must_use]
    pub fn count(&self) -> usize {
        self.table().kitrooms.values().map(|waited| waited.by).sum()
    }

    /// The kitrooms to ask the database about, when it is time.
    fn due(&self) -> Option<Vec<Uuid>> {
        let mut table = self.table();
        let now = Instant::now();
        if table.polled_at.is_some_and(|at| now.duration_since(at) < POLL) {
            return None;
        }
        table.polled_at = Some(now);
        Some(table.kitrooms.keys().copied().collect())
    }

    /// Asks the database once for all who wait, when it is time.
    async fn poll(&self, pool: &Pool) -> Result<(), ApiError> {
        let Some(waited) = self.due() else { return Ok(()) };
        let mut conn = db::connection(pool).await?;
        let rows: Vec<(Uuid, Uuid, i64)> = sql::<(SqlUuid, SqlUuid, BigInt)>(
            "select id, epoch, head_seq from kitrooms where deleted_at is null and id = any(",
        )
        .bind::<Array<SqlUuid>, _>(&waited)
        .sql(")")
        .load(&mut conn)
        .await?;
        drop(conn);
        let heads: HashMap<Uuid, (Uuid, i64)> =
            rows.into_iter().map(|(id, epoch, seq)| (id, (epoch, seq))).collect();
        for (id, one) in &mut self.table().kitrooms {
            // One that came while the database was asked has seen a later state than this.
            if waited.contains(id) && one.seen.is_some() && one.seen != heads.get(id).copied() {
                one.changed.send_replace(());
            }
        }
        Ok(())
    }
}

/// A place among those who wait; it is free again when the value goes.
#[derive(Debug)]
pub struct Wait {
    waits: Data<Waits>,
    id: u64,
    kitroom: Uuid,
    account: Uuid,
    changed: watch::Receiver<()>,
    ended: Arc<Notify>,
}

impl Wait {
    /// Notes what was seen without finding anything new.
    pub fn saw(&mut self, epoch: Uuid, seq: i64) {
        if let Some(waited) = self.waits.table().kitrooms.get_mut(&self.kitroom) {
            let before = waited.seen.replace((epoch, seq));
            if before.is_some_and(|before| before != (epoch, seq)) {
                // Oneself as well, since a change may have come in between: one look more, and no more than one.
                waited.changed.send_replace(());
            }
        }
    }

    /// Waits until the kitroom may have changed, or the wait has to end.
    pub async fn next(&mut self, until: Instant, pool: &Pool) -> Woken {
        loop {
            tokio::select! {
                // An end is never put off by ever more changes.
                biased;
                () = self.ended.notified() => return Woken::Ended,
                () = sleep_until(until) => return Woken::Ended,
                changed = self.changed.changed() => {
                    return if changed.is_ok() { Woken::Changed } else { Woken::Ended };
                }
                () = sleep(POLL) => {
                    // Without an answer the next one asks; the failure is in the log.
                    let _ = self.waits.poll(pool).await;
                }
            }
        }
    }
}

impl Drop for Wait {
    fn drop(&mut self) {
        let mut table = self.waits.table();
        if let Some(waited) = table.kitrooms.get_mut(&self.kitroom) {
            waited.by -= 1;
            if waited.by == 0 {
                table.kitrooms.remove(&self.kitroom);
            }
        }
        if let Some(own) = table.accounts.get_mut(&self.account) {
            own.retain(|(id, _)| *id != self.id);
            if own.is_empty() {
                table.accounts.remove(&self.account);
            }
        }
    }
}

/// Wakes those who wait for a kitroom once a request that may have changed it is through.
///
/// # Errors
/// As what it wraps.
pub async fn wake(
    request: ServiceRequest,
    next: Next<impl MessageBody>,
) -> Result<ServiceResponse<impl MessageBody>, actix_web::Error> {
    let reads = [Method::GET, Method::HEAD, Method::OPTIONS].contains(request.method());
    let waits = request.app_data::<Data<Waits>>().cloned();
    let response = next.call(request).await?;
    if !reads
        && response.status().is_success()
        && let Some(waits) = waits
        && let Some(kitroom) = response.request().match_info().get("kitroom_id")
        && let Ok(kitroom) = path_id(kitroom)
    {
        waits.wake(kitroom);
    }
    Ok(response)
}

#[cfg(test)]
mod tests {
    use super::*;

    fn waits() -> Data<Waits> {
        Data::default()
    }

    fn pool() -> Pool {
        db::pool("postgresql://nobody@127.0.0.1:1/none", 1).unwrap()
    }

    fn soon() -> Instant {
        Instant::now() + Duration::from_millis(300)
    }

    const K: Uuid = Uuid::from_u128(1);
    const A: Uuid = Uuid::from_u128(2);

    #[tokio::test]
    async fn wake_between_begin_and_next_is_not_missed_and_wakes_that_kitroom_alone() {
        let waits = waits();
        let mut here = Waits::begin(&waits, K, A, 2);
        let mut there = Waits::begin(&waits, Uuid::from_u128(9), A, 2);
        waits.wake(K);
        assert_eq!(here.next(soon(), &pool()).await, Woken::Changed);
        assert_eq!(there.next(soon(), &pool()).await, Woken::Ended);
        drop((here, there));
        assert_eq!(waits.count(), 0);
        assert!(waits.table().accounts.is_empty() && waits.table().kitrooms.is_empty());
    }

    #[tokio::test]
    async fn begin_beyond_the_bound_ends_the_oldest_of_that_account() {
        let waits = waits();
        let far = Instant::now() + Duration::from_secs(30);
        let mut first = Waits::begin(&waits, K, A, 2);
        let mut other = Waits::begin(&waits, K, Uuid::from_u128(3), 2);
        let mut second = Waits::begin(&waits, K, A, 2);
        let _third = Waits::begin(&waits, K, A, 2);
        assert_eq!(first.next(far, &pool()).await, Woken::Ended);
        for stays in [&mut second, &mut other] {
            let woken = tokio::time::timeout(Duration::from_millis(100), stays.next(far, &pool())).await;
            assert!(woken.is_err(), "{woken:?}");
        }
    }

    #[tokio::test]
    async fn end_ends_those_who_wait_and_those_who_come_later() {
        let waits = waits();
        let far = Instant::now() + Duration::from_secs(30);
        let mut before = Waits::begin(&waits, K, A, 2);
        waits.end();
        let mut after = Waits::begin(&waits, K, A, 2);
        assert_eq!(before.next(far, &pool()).await, Woken::Ended);
        assert_eq!(after.next(far, &pool()).await, Woken::Ended);
        assert!(waits.are_over());
    }

    #[tokio::test]
    async fn saw_a_later_state_wakes_those_who_saw_an_earlier_one() {
        let waits = waits();
        let (mut one, mut two) = (Waits::begin(&waits, K, A, 2), Waits::begin(&waits, K, A, 2));
        one.saw(K, 5);
        two.saw(K, 6);
        assert_eq!(one.next(soon(), &pool()).await, Woken::Changed);
        assert_eq!(two.next(soon(), &pool()).await, Woken::Changed);
        // Seeing the same again wakes nobody.
        one.saw(K, 6);
        assert_eq!(one.next(soon(), &pool()).await, Woken::Ended);
    }
}
