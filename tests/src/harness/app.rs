//! The service under test: what the production builder builds, on a listener of its own, with its own database.

use std::net::TcpListener;
use std::num::NonZeroU32;
use std::sync::{Arc, Mutex, PoisonError, mpsc};
use std::thread::JoinHandle;

use actix_web::dev::ServerHandle;
use api::app::{Settings, serve};
use api::features::sync::waits::Waits;
use api::platform::clock::Clock;
use api::platform::db;
use api::platform::limits::{Bounds, LoginLimits};
use api::platform::password::PasswordCost;
use chrono::{DateTime, TimeDelta, Utc};
use tokio_postgres::types::FromSqlOwned;
use tokio_postgres::{Client, NoTls};

use super::client::{Call, Http};
use super::db::TestDb;

/// The key of the access tokens.
pub const SIGNING_KEY: [u8; 32] = [7; 32];

/// A clock that a test can move and stop.
#[derive(Debug, Clone, Default)]
pub struct TestClock(Arc<Mutex<Hands>>);

#[derive(Debug, Default)]
struct Hands {
    stopped_at: Option<DateTime<Utc>>,
    ahead: TimeDelta,
}

impl TestClock {
    /// The time that the service sees.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        let hands = self.0.lock().unwrap_or_else(PoisonError::into_inner);
        hands.stopped_at.unwrap_or_else(|| Clock::system().now()) + hands.ahead
    }

    /// Moves it on; back, when negative.
    pub fn advance(&self, by: TimeDelta) {
        self.0.lock().unwrap_or_else(PoisonError::into_inner).ahead += by;
    }

    /// Stops it.
    ///
    /// # Panics
    /// When the text is no time.
    pub fn stop_at(&self, at: &str) {
        let at = DateTime::parse_from_rfc3339(at).unwrap_or_else(|error| panic!("{at}: {error}"));
        self.0.lock().unwrap_or_else(PoisonError::into_inner).stopped_at = Some(at.to_utc());
    }

    fn clock(&self) -> Clock {
        let own = self.clone();
        Clock::from_fn(move || own.now())
    }
}

/// A running service with a database to itself. It is stopped, and the database dropped, with the value.
#[derive(Debug)]
pub struct TestApp {
    /// The service's clock.
    pub clock: TestClock,
    /// Whoever wants to ask it.
    pub http: Http,
    server: Option<(ServerHandle, JoinHandle<()>)>,
    sql: Client,
    db: TestDb,
}

impl TestApp {
    /// A service with two workers.
    ///
    /// # Panics
    /// When it cannot be had: a test is never skipped.
    pub async fn start() -> Self {
        Self::start_with(|_| ()).await
    }

    /// The same with other settings.
    ///
    /// # Panics
    /// When it cannot be had: a test is never skipped.
    pub async fn start_with(change: impl FnOnce(&mut Settings)) -> Self {
        let db = TestDb::migrated(db::migrate);
        let clock = TestClock::default();
        let mut settings = Settings {
            database_url: db.url().to_owned(),
            connections: 4,
            workers: 2,
            signing_key: SIGNING_KEY,
            password_cost: PasswordCost::CHEAP,
            // Many tests log in from one address; what limits them has its own test.
            login_limits: LoginLimits {
                per_account: NonZeroU32::MAX,
                per_address: NonZeroU32::MAX,
                behind_proxy: false,
            },
            bounds: Bounds::PRODUCTION,
            clock: clock.clock(),
            waits: Arc::new(Waits::default()),
        };
        change(&mut settings);
        let (address, server) = run(settings);
        let sql = connect(db.url()).await;
        Self { clock, http: Http::new(&format!("http://{address}")), server: Some(server), sql, db }
    }

    /// The database.
    #[must_use]
    pub fn database(&self) -> &TestDb {
        &self.db
    }

    /// Another connection to the database.
    ///
    /// # Panics
    /// When there is none.
    pub async fn connection(&self) -> Client {
        connect(self.db.url()).await
    }

    /// Runs statements.
    ///
    /// # Panics
    /// When one fails.
    pub async fn execute(&self, statements: &str) {
        if let Err(error) = self.sql.batch_execute(statements).await {
            panic!("{statements}: {error:?}");
        }
    }

    /// The first column of the first row of a query.
    ///
    /// # Panics
    /// When there is no row, or its column is of another type.
    pub async fn scalar<T: FromSqlOwned>(&self, query: &str) -> T {
        match self.sql.query_one(query, &[]).await {
            Ok(row) => row.get(0),
            Err(error) => panic!("{query}: {error:?}"),
        }
    }

    /// How many rows a table has.
    pub async fn count(&self, table: &str) -> i64 {
        self.scalar(&format!("select count(*) from {table}")).await
    }

    /// What all tables hold, but for what any request may touch: when a credential was last used, and which ids were
    /// given to an `Idempotency-Key`.
    ///
    /// # Panics
    /// When the tables cannot be read.
    pub async fn contents(&self) -> Vec<(String, String)> {
        let tables = "select tablename::text from pg_tables where schemaname = 'public' and tablename not in \
                      ('device_tokens', 'sessions', 'refresh_tokens', 'idempotency_keys', '__diesel_schema_migrations') order by 1";
        let mut contents = Vec::new();
        for row in self.sql.query(tables, &[]).await.expect("the tables can be listed") {
            let table: String = row.get(0);
            let rows =
                format!("select coalesce(string_agg(t::text, E'\\n' order by t::text), '') from {table} t");
            contents.push((table, self.scalar(&rows).await));
        }
        contents
    }

    /// Makes a call that must be refused, and checks that it left nothing behind. Answers the problem.
    ///
    /// # Panics
    /// When it is not refused with this code, or something was stored.
    pub async fn refuses(&self, call: Call, code: &str) -> serde_json::Value {
        let before = self.contents().await;
        let problem = call.send().await.problem(code);
        for (was, is) in before.iter().zip(self.contents().await) {
            assert_eq!(*was, is, "a refused request left something behind");
        }
        problem
    }
}

impl Drop for TestApp {
    fn drop(&mut self) {
        if let Some((handle, thread)) = self.server.take() {
            // The flag is set at once; there is nothing to wait for but the thread.
            drop(handle.stop(false));
            let ended = thread.join();
            if ended.is_err() && !std::thread::panicking() {
                panic!("the service panicked");
            }
        }
    }
}

/// Runs the service in a thread of its own with its actix system.
fn run(settings: Settings) -> (std::net::SocketAddr, (ServerHandle, JoinHandle<()>)) {
    let listener = TcpListener::bind("127.0.0.1:0").expect("a free port");
    let address = listener.local_addr().expect("a bound listener has an address");
    let (tell, told) = mpsc::channel();
    let thread = std::thread::spawn(move || {
        let ended = actix_web::rt::System::new().block_on(async move {
            let server = serve(&settings, listener).expect("the service can be built");
            tell.send(server.handle()).expect("the test waits for it");
            server.await
        });
        ended.expect("the service ends well");
    });
    let handle = told.recv().expect("the service starts");
    (address, (handle, thread))
}

async fn connect(url: &str) -> Client {
    let (client, connection) =
        tokio_postgres::connect(url, NoTls).await.expect("the test's database answers");
    tokio::spawn(connection);
    client
}
