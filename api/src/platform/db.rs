//! The database: connections and migrations.

use std::time::Duration;

use diesel_async::pooled_connection::deadpool::{Object, Pool as DeadPool};
use diesel_async::pooled_connection::{AsyncDieselConnectionManager, ManagerConfig, RecyclingMethod};
use diesel_async::{AsyncConnection, AsyncMigrationHarness, AsyncPgConnection, SimpleAsyncConnection};
use diesel_migrations::{EmbeddedMigrations, MigrationHarness, embed_migrations};

use super::error::ApiError;

/// Connections of one worker.
pub type Pool = DeadPool<AsyncPgConnection>;
/// A connection on loan from a pool.
pub type Connection = Object<AsyncPgConnection>;

/// The migrations, compiled in.
pub const MIGRATIONS: EmbeddedMigrations = embed_migrations!("../migrations");

/// The versions of the migrations that this build knows.
///
/// # Errors
/// In words, when they cannot be listed.
pub fn known_migrations() -> Result<Vec<String>, String> {
    let all = diesel::migration::MigrationSource::<diesel::pg::Pg>::migrations(&MIGRATIONS);
    let all = all.map_err(|error| error.to_string())?;
    Ok(all.iter().map(|migration| migration.name().version().to_string()).collect())
}

/// No statement of a request needs longer; one that does is a fault and must not hold a kitroom's lock.
const STATEMENT_TIMEOUT: &str =
    "set statement_timeout = '20s'; set lock_timeout = '10s'; set timezone = 'UTC'";

/// A pool of up to `size` connections.
///
/// # Errors
/// When the pool cannot be built.
pub fn pool(url: &str, size: usize) -> Result<Pool, String> {
    let mut config = ManagerConfig::default();
    // A connection that is broken shows so at its first use; asking it before each costs a round trip.
    config.recycling_method = RecyclingMethod::Fast;
    config.custom_setup = Box::new(|url| {
        Box::pin(async move {
            let mut conn = AsyncPgConnection::establish(url).await?;
            conn.batch_execute(STATEMENT_TIMEOUT)
                .await
                .map_err(diesel::ConnectionError::CouldntSetupConfiguration)?;
            Ok(conn)
        })
    });
    let manager = AsyncDieselConnectionManager::new_with_config(url, config);
    DeadPool::builder(manager)
        .max_size(size)
        .wait_timeout(Some(Duration::from_secs(10)))
        .create_timeout(Some(Duration::from_secs(10)))
        .runtime(deadpool::Runtime::Tokio1)
        .build()
        .map_err(|error| error.to_string())
}

/// A connection from the pool.
///
/// # Errors
/// `unavailable` when there is none within ten seconds.
pub async fn connection(pool: &Pool) -> Result<Connection, ApiError> {
    pool.get().await.map_err(|error| ApiError::unavailable("no database connection", error))
}

/// Brings the database to the newest migration. Runs on a thread and a runtime of its own, because the migration
/// harness blocks and refuses a single-threaded runtime.
///
/// # Errors
/// In words, when the database cannot be reached or a migration fails.
pub fn migrate(url: &str) -> Result<(), String> {
    with_harness(url, |harness| harness.run_pending_migrations(MIGRATIONS).map(drop))
}

/// Reverts every migration.
///
/// # Errors
/// In words, when the database cannot be reached or a migration fails.
pub fn revert_all(url: &str) -> Result<(), String> {
    with_harness(url, |harness| harness.revert_all_migrations(MIGRATIONS).map(drop))
}

type Harness = AsyncMigrationHarness<AsyncPgConnection>;
type MigrationError = Box<dyn std::error::Error + Send + Sync>;

fn with_harness(
    url: &str,
    act: impl FnOnce(&mut Harness) -> Result<(), MigrationError> + Send,
) -> Result<(), String> {
    std::thread::scope(|scope| {
        let work = scope.spawn(|| {
            let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
            let runtime = runtime.map_err(|error| error.to_string())?;
            runtime.block_on(async {
                let conn = AsyncPgConnection::establish(url).await.map_err(|error| error.to_string())?;
                act(&mut AsyncMigrationHarness::new(conn)).map_err(|error| error.to_string())
            })
        });
        work.join().unwrap_or_else(|_| Err("the migrations stopped with a fault".into()))
    })
}
