//! One server a test process, one database a test.
//!
//! A migrated template is made once; each test gets a copy of its files, which is dropped with the
//! [`TestDb`]. What a killed run leaves on a given server is dropped by the next run: every run holds
//! an advisory lock with its number, and a number whose lock is free belongs to no living run.

use std::collections::hash_map::RandomState;
use std::error::Error;
use std::hash::{BuildHasher, Hasher};
use std::io::Write;
use std::sync::atomic::{AtomicU32, Ordering};
use std::sync::mpsc;
use std::sync::{Arc, Mutex, OnceLock, PoisonError};
use std::time::{Duration, Instant};

use tokio::runtime::Runtime;
use tokio_postgres::error::SqlState;
use tokio_postgres::{Client, NoTls, SimpleQueryMessage};

use super::provider::Provided;
pub use super::provider::Provider;

/// The first key of the advisory locks: the ASCII codes of "tare".
const LOCK_CLASS: i32 = 0x7461_7265;
const PREFIX: &str = "tarebook_test_";

/// A database of one test, dropped when the value goes.
#[derive(Debug)]
pub struct TestDb {
    name: String,
    url: String,
}

impl TestDb {
    /// A database with no tables.
    ///
    /// # Panics
    /// When there is no server to have it on: a test is never skipped.
    #[must_use]
    pub fn empty() -> Self {
        Server::get().create(None)
    }

    /// A database as `migrate` leaves it; `migrate` runs once a process, on the template's address.
    ///
    /// # Panics
    /// When there is no server to have it on, or the migrations fail.
    #[must_use]
    pub fn migrated(migrate: impl FnOnce(&str) -> Result<(), String>) -> Self {
        let server = Server::get();
        let template = server.template(migrate);
        server.create(Some(&template))
    }

    /// The address for the service and for the test's own look into the tables.
    #[must_use]
    pub fn url(&self) -> &str {
        &self.url
    }

    /// The database's name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }

    /// Which provider runs in this process.
    ///
    /// # Panics
    /// When there is none.
    #[must_use]
    pub fn provider() -> Provider {
        Server::get().provided.provider
    }
}

impl Drop for TestDb {
    fn drop(&mut self) {
        let dropped = Server::get().execute(format!("DROP DATABASE {} WITH (FORCE)", self.name));
        // While a failed test unwinds, a second panic would hide its message.
        if let Err(error) = dropped
            && !std::thread::panicking()
        {
            panic!("dropping the test's database: {error}");
        }
    }
}

struct Server {
    provided: Provided,
    runtime: Runtime,
    admin: Arc<Client>,
    run: i32,
    version: u32,
    next: AtomicU32,
    template: Mutex<Option<String>>,
}

impl Server {
    fn get() -> &'static Self {
        static SERVER: OnceLock<Result<Server, String>> = OnceLock::new();
        let up =
            || std::thread::spawn(Self::bring_up).join().unwrap_or_else(|_| Err("it panicked".to_owned()));
        match SERVER.get_or_init(up) {
            Ok(server) => server,
            Err(reason) => panic!("no PostgreSQL for the tests: {reason}"),
        }
    }

    fn bring_up() -> Result<Self, String> {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(2).enable_all().build();
        let runtime = runtime.map_err(|error| error.to_string())?;
        let provided = runtime.block_on(Provided::bring_up())?;
        let run = (RandomState::new().build_hasher().finish() >> 33) as i32;
        let (admin, version) = runtime.block_on(async {
            let admin = connect(&provided.admin_url).await?;
            let version = first_column(&admin, "SHOW server_version_num").await?;
            let version = version.first().and_then(|text| text.parse().ok()).ok_or("no server version")?;
            admin
                .batch_execute(&format!("SELECT pg_advisory_lock({LOCK_CLASS}, {run})"))
                .await
                .map_err(tell)?;
            drop_leftovers(&admin).await?;
            Ok::<_, String>((admin, version))
        })?;
        // Straight to the stream: the test runner keeps what the print macros say to itself.
        drop(writeln!(std::io::stderr(), "test databases: {} (version {version})", provided.provider));
        Ok(Self {
            provided,
            runtime,
            admin: Arc::new(admin),
            run,
            version,
            next: AtomicU32::new(0),
            template: Mutex::new(None),
        })
    }

    /// Runs `work` on the server's own runtime and waits: callers sit in runtimes of their own.
    fn wait_for<T: Send + 'static>(&self, work: impl Future<Output = T> + Send + 'static) -> T {
        let (answer, answered) = mpsc::channel();
        let task = self.runtime.spawn(async move { answer.send(work.await) });
        match answered.recv() {
            Ok(value) => value,
            Err(_) => panic!("the work on the test server panicked (finished: {})", task.is_finished()),
        }
    }

    fn execute(&self, statement: String) -> Result<(), String> {
        let admin = Arc::clone(&self.admin);
        self.wait_for(async move { admin.batch_execute(&statement).await.map_err(tell) })
    }

    fn create(&self, template: Option<&str>) -> TestDb {
        let number = self.next.fetch_add(1, Ordering::Relaxed);
        let name = format!("{PREFIX}{:08x}_{number}", self.run);
        let statement = self.create_statement(&name, template);
        let begun = Instant::now();
        loop {
            match self.execute(statement.clone()) {
                Ok(()) => break,
                // The session that migrated the template needs a moment to be gone.
                Err(error) if error.contains("other users") && begun.elapsed() < Duration::from_secs(10) => {
                    std::thread::sleep(Duration::from_millis(20));
                }
                Err(error) => panic!("making a test database: {error}"),
            }
        }
        let url = with_database(&self.provided.app_url, &name);
        TestDb { name, url }
    }

    fn create_statement(&self, name: &str, template: Option<&str>) -> String {
        let owner = self.provided.owner.map(|role| format!(" OWNER {role}")).unwrap_or_default();
        let copy = match template {
            // Copying files beats writing every page to the log when nothing is synced.
            Some(template) if self.version >= 150_000 => format!(" TEMPLATE {template} STRATEGY file_copy"),
            Some(template) => format!(" TEMPLATE {template}"),
            // The same text rules as the private server's.
            None => {
                let libc = if self.version >= 150_000 { " LOCALE_PROVIDER libc" } else { "" };
                format!(" TEMPLATE template0 ENCODING 'UTF8'{libc} LC_COLLATE 'C' LC_CTYPE 'C.UTF-8'")
            }
        };
        format!("CREATE DATABASE {name}{owner}{copy}")
    }

    fn template(&self, migrate: impl FnOnce(&str) -> Result<(), String>) -> String {
        let mut made = self.template.lock().unwrap_or_else(PoisonError::into_inner);
        if let Some(name) = &*made {
            return name.clone();
        }
        let name = format!("{PREFIX}{:08x}_template", self.run);
        let url = with_database(&self.provided.app_url, &name);
        let statement = self.create_statement(&name, None);
        let outcome = self.execute(statement).and_then(|()| migrate(&url));
        if let Err(error) = outcome {
            drop(self.execute(format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")));
            panic!("making the template database: {error}");
        }
        *made = Some(name.clone());
        name
    }
}

async fn connect(url: &str) -> Result<Client, String> {
    let (client, connection) = tokio_postgres::connect(url, NoTls).await.map_err(tell)?;
    tokio::spawn(connection);
    Ok(client)
}

async fn first_column(client: &Client, query: &str) -> Result<Vec<String>, String> {
    let answer = client.simple_query(query).await.map_err(tell)?;
    let rows = answer.iter().filter_map(|message| match message {
        SimpleQueryMessage::Row(row) => row.get(0).map(str::to_owned),
        _ => None,
    });
    Ok(rows.collect())
}

async fn drop_leftovers(admin: &Client) -> Result<(), String> {
    let query = format!("SELECT datname FROM pg_database WHERE starts_with(datname, '{PREFIX}')");
    for name in first_column(admin, &query).await? {
        let Some(run) = name.get(PREFIX.len()..).and_then(|rest| rest.split('_').next()) else { continue };
        let Ok(run) = i32::from_str_radix(run, 16) else { continue };
        let lock = format!("SELECT pg_try_advisory_lock({LOCK_CLASS}, {run})");
        // A lock of this very session is granted again, but no database of this run exists yet.
        if first_column(admin, &lock).await? == ["t"] {
            let dropped = admin.batch_execute(&format!("DROP DATABASE IF EXISTS {name} WITH (FORCE)")).await;
            admin
                .batch_execute(&format!("SELECT pg_advisory_unlock({LOCK_CLASS}, {run})"))
                .await
                .map_err(tell)?;
            // Two runs that start at once may both try; whoever comes second finds it gone.
            if let Err(error) = dropped
                && error.code() != Some(&SqlState::UNDEFINED_DATABASE)
            {
                return Err(tell(error));
            }
        }
    }
    Ok(())
}

/// An error with its causes, which the client's own text leaves out.
fn tell(error: tokio_postgres::Error) -> String {
    let mut text = error.to_string();
    let mut cause = error.source();
    while let Some(inner) = cause {
        text = format!("{text}: {inner}");
        cause = inner.source();
    }
    text
}

/// The same address with another database.
fn with_database(url: &str, name: &str) -> String {
    let (address, parameters) = match url.split_once('?') {
        Some((address, parameters)) => (address, format!("?{parameters}")),
        None => (url, String::new()),
    };
    let authority = address.find("://").map_or(0, |at| at + 3);
    let end = address[authority..].find('/').map_or(address.len(), |at| authority + at);
    format!("{}/{name}{parameters}", &address[..end])
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn drop_leftovers_of_a_run_that_is_gone_drops_them_and_not_those_of_a_living_one() {
        let ours = TestDb::empty();
        // No living run has this number: its advisory lock is free.
        let left = format!("{PREFIX}{:08x}_0", 1);
        let server = Server::get();
        server.execute(format!("CREATE DATABASE {left}")).unwrap();
        let url = server.provided.admin_url.clone();
        let names = server.wait_for(async move {
            let other = connect(&url).await.unwrap();
            drop_leftovers(&other).await.unwrap();
            first_column(&other, "SELECT datname FROM pg_database").await.unwrap()
        });
        assert!(!names.contains(&left), "{names:?}");
        assert!(names.contains(&ours.name), "{names:?}");
    }

    #[test]
    fn with_database_in_every_form_of_address_changes_the_database_alone() {
        let cases = [
            ("postgresql://u:p@h:1/old?a=b/c", "postgresql://u:p@h:1/new?a=b/c"),
            ("postgresql://h", "postgresql://h/new"),
            ("postgresql:///old?host=/run/x&user=u", "postgresql:///new?host=/run/x&user=u"),
        ];
        for (given, wanted) in cases {
            assert_eq!(with_database(given, "new"), wanted);
        }
    }
}
