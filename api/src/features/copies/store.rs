//! What a database holds. An operator's question: it names no account.

use std::time::{Duration, Instant};

use chrono::{DateTime, Utc};
use diesel::sql_types::{BigInt, Integer, Nullable, Text, Timestamptz};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use tokio::time::sleep;

use crate::platform::db;
use crate::platform::error::ApiError;
use crate::platform::sql::sql;

/// What a database holds.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Held {
    /// No tables.
    Nothing,
    /// Tables of something else.
    Others {
        /// Some of their names.
        tables: String,
    },
    /// Tables of a version of this program that is not known here.
    Unknown {
        /// Its migrations.
        migrations: Vec<String>,
    },
    /// A Tarebook.
    Ours {
        /// Accounts that were not ended.
        accounts: i64,
        /// Kitrooms that were not deleted.
        kitrooms: i64,
        /// Records in them.
        records: i64,
        /// When the last of them changed.
        last_change: Option<DateTime<Utc>>,
    },
}

/// Looks at what a database holds.
///
/// # Errors
/// As the database fails.
pub async fn find_held(conn: &mut AsyncPgConnection) -> Result<Held, ApiError> {
    let tables: Vec<(String,)> = sql::<(Text,)>(
        "select tablename::text from pg_catalog.pg_tables where schemaname = 'public' order by 1",
    )
    .load(conn)
    .await?;
    let names: Vec<String> = tables.into_iter().map(|(name,)| name).collect();
    if names.is_empty() {
        return Ok(Held::Nothing);
    }
    let others = || Held::Others { tables: names.iter().take(3).cloned().collect::<Vec<_>>().join(", ") };
    if !names.iter().any(|name| name == "__diesel_schema_migrations") {
        return Ok(others());
    }
    let rows: Vec<(String,)> =
        sql::<(Text,)>("select version::text from __diesel_schema_migrations order by 1").load(conn).await?;
    let migrations: Vec<String> = rows.into_iter().map(|(version,)| version).collect();
    let known =
        db::known_migrations().map_err(|error| ApiError::internal("the migrations cannot be read", error))?;
    if !migrations.iter().all(|version| known.contains(version)) {
        let ours = names.iter().any(|name| name == "kitrooms");
        return Ok(if ours { Held::Unknown { migrations } } else { others() });
    }
    if !names.iter().any(|name| name == "kitrooms") {
        return Ok(Held::Nothing);
    }
    let rows: Vec<(i64, i64, i64, Option<DateTime<Utc>>)> =
        sql::<(BigInt, BigInt, BigInt, Nullable<Timestamptz>)>(
            "select (select count(*) from accounts where deleted_at is null), \
             (select count(*) from kitrooms where deleted_at is null), \
             (select count(*) from sync_index i join kitrooms k on k.id = i.kitroom_id where k.deleted_at is null and not i.deleted), \
             (select max(committed_at) from commits)",
        )
        .load(conn)
        .await?;
    let (accounts, kitrooms, records, last_change) = rows.into_iter().next().unwrap_or_default();
    Ok(Held::Ours { accounts, kitrooms, records, last_change })
}

/// The major version of the server.
///
/// # Errors
/// As the database fails.
pub async fn server_major(conn: &mut AsyncPgConnection) -> Result<u32, ApiError> {
    let rows: Vec<(i32,)> =
        sql::<(Integer,)>("select current_setting('server_version_num')::integer / 10000").load(conn).await?;
    let major = rows.into_iter().next().and_then(|(major,)| u32::try_from(major).ok());
    major.ok_or_else(|| ApiError::internal("the server does not say its version", "no row"))
}

/// How many other sessions use this database, when those of a service that has just stopped have had time to end.
///
/// # Errors
/// As the database fails.
pub async fn other_sessions(conn: &mut AsyncPgConnection) -> Result<i64, ApiError> {
    let until = Instant::now() + ENDING;
    loop {
        let others = count_others(conn).await?;
        if others == 0 || Instant::now() > until {
            return Ok(others);
        }
        sleep(Duration::from_millis(100)).await;
    }
}

/// The database notices within a moment that a client is gone, once the statement at hand is done.
const ENDING: Duration = Duration::from_secs(3);

async fn count_others(conn: &mut AsyncPgConnection) -> Result<i64, ApiError> {
    let rows: Vec<(i64,)> = sql::<(BigInt,)>(
        "select count(*) from pg_catalog.pg_stat_activity where datname = current_database() and pid <> pg_backend_pid()",
    )
    .load(conn)
    .await?;
    Ok(rows.into_iter().next().map_or(0, |(count,)| count))
}
