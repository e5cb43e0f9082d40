//! A private PostgreSQL: the service's default database, run from the system's own binaries.
//!
//! Everything lies under `DATA_DIR/postgres`:
//!
//! ```text
//! cluster/         PostgreSQL's own data folder
//! run/             the unix socket, in a folder that only its user can enter
//! server.log       what PostgreSQL says (server.log.1: the log before)
//! service.lock     held by the one running service
//! owner.lock       held by whichever process started PostgreSQL: the service or a command
//! ```
//!
//! Invariants:
//! - The server listens on the unix socket and on nothing else.
//! - At most one process of ours owns the server. Both locks are `flock`s, so a process that is
//!   killed lets go of them; a server that it leaves behind is stopped by the next start, which
//!   ends the sessions of the dead process, and is then started anew.
//! - A cluster appears under its name only when it is complete: it is made beside it and renamed.
//! - PostgreSQL never runs as root: it gets the cluster's owner, else `postgres`, else `nobody`.

mod account;
mod binaries;
mod cluster;
mod error;
mod lock;
mod postmaster;

use std::ffi::OsStr;
use std::fs;
use std::os::unix::ffi::OsStrExt;
use std::path::{Path, PathBuf};
use std::time::Duration;

use self::account::Account;
pub use self::binaries::{Binaries, Clients};
use self::cluster::Layout;
pub use self::error::EmbeddedPgError;
use self::lock::Lock;
use self::postmaster::Postmaster;

/// The role and the database of the service; the role owns the database and is no superuser.
const APP_NAME: &str = "tarebook";
/// The cluster's superuser, for the work that the service itself never does.
const ADMIN_NAME: &str = "tarebook_admin";
/// How long a start waits for a command that happens to own the server.
const COMMAND_PATIENCE: Duration = Duration::from_secs(30);

/// How the private server is run.
#[derive(Debug, Clone)]
#[non_exhaustive]
pub struct Options {
    /// Whether what is committed survives a power cut. Only tests turn it off.
    pub durable: bool,
    /// The longest wait for the server to be ready, crash recovery included.
    pub start_timeout: Duration,
    /// The longest wait for a clean stop, before a stop that leaves recovery to the next start.
    pub stop_timeout: Duration,
}

impl Default for Options {
    fn default() -> Self {
        Self { durable: true, start_timeout: Duration::from_secs(600), stop_timeout: Duration::from_secs(60) }
    }
}

impl Options {
    /// For tests: quick, and nothing outlives a power cut.
    #[must_use]
    pub fn throwaway() -> Self {
        Self { durable: false, ..Self::default() }
    }
}

/// A private PostgreSQL that is ready. One that was started here is stopped by [`stop`](Self::stop)
/// or on drop; one that a running service owns is left as it is.
#[derive(Debug)]
pub struct EmbeddedPg {
    socket_dir: PathBuf,
    server: Option<Postmaster>,
    locks: Vec<Lock>,
}

impl EmbeddedPg {
    /// Starts the private server for the service, making its cluster on the first use.
    ///
    /// # Errors
    /// [`EmbeddedPgError`], each a single line that names the folder and what to do.
    pub fn start(data_dir: &Path) -> Result<Self, EmbeddedPgError> {
        Self::start_with(data_dir, &Options::default())
    }

    /// [`start`](Self::start) with chosen options.
    ///
    /// # Errors
    /// As [`start`](Self::start).
    pub fn start_with(data_dir: &Path, options: &Options) -> Result<Self, EmbeddedPgError> {
        let place = Place::prepare(data_dir)?;
        let service = Lock::service(&place.layout)?;
        let owner = Lock::owner_within(&place.layout, COMMAND_PATIENCE)?;
        let server = place.run(options)?;
        Ok(Self::owning(server, vec![owner, service]))
    }

    /// The server of a running service, or else one that is started for the life of this value: for
    /// commands that may run beside the service.
    ///
    /// # Errors
    /// As [`start`](Self::start), but never because the service runs.
    pub fn attach(data_dir: &Path) -> Result<Self, EmbeddedPgError> {
        let options = Options::default();
        let place = Place::prepare(data_dir)?;
        match Lock::owner_or_service(&place.layout, COMMAND_PATIENCE)? {
            Some(owner) => Ok(Self::owning(place.run(&options)?, vec![owner])),
            None => {
                let socket_dir = postmaster::wait_for_running(&place.layout, options.start_timeout)?;
                Ok(Self { socket_dir, server: None, locks: Vec::new() })
            }
        }
    }

    fn owning(server: Postmaster, locks: Vec<Lock>) -> Self {
        Self { socket_dir: server.socket_dir().to_owned(), server: Some(server), locks }
    }

    /// The address of the service's database, for its own role.
    #[must_use]
    pub fn url(&self) -> String {
        self.address(APP_NAME, APP_NAME)
    }

    /// The address of the maintenance database, for the superuser.
    #[must_use]
    pub fn admin_url(&self) -> String {
        self.address(ADMIN_NAME, "postgres")
    }

    /// The folder of the unix socket (the `host` of PostgreSQL's own programs).
    #[must_use]
    pub fn socket_dir(&self) -> &Path {
        &self.socket_dir
    }

    /// The process id of the server, if it was started here.
    #[must_use]
    pub fn pid(&self) -> Option<u32> {
        self.server.as_ref().map(Postmaster::pid)
    }

    /// Whether the server still runs; a server that a service owns counts as running.
    pub fn is_running(&mut self) -> bool {
        self.server.as_mut().is_none_or(Postmaster::is_running)
    }

    /// Stops the server if it was started here: sessions end, everything is written out.
    ///
    /// # Errors
    /// [`EmbeddedPgError::StopTimeout`] if it is still there after the harder stop as well.
    pub fn stop(mut self) -> Result<(), EmbeddedPgError> {
        let outcome = self.server.take().map_or(Ok(()), Postmaster::stop);
        self.locks.clear();
        outcome
    }

    fn address(&self, role: &str, database: &str) -> String {
        let host = percent_encode(self.socket_dir.as_os_str());
        format!("postgresql:///{database}?host={host}&port={}&user={role}", postmaster::PORT)
    }
}

impl Drop for EmbeddedPg {
    fn drop(&mut self) {
        // The server first: once the locks are gone another process may start one.
        if let Some(server) = self.server.take() {
            drop(server.stop());
        }
        self.locks.clear();
    }
}

/// A data folder that is ready to be locked, and the account that PostgreSQL gets.
struct Place {
    layout: Layout,
    account: Account,
}

impl Place {
    fn prepare(data_dir: &Path) -> Result<Self, EmbeddedPgError> {
        let made = EmbeddedPgError::io("make", data_dir, fs::create_dir_all(data_dir));
        made?;
        let data_dir = EmbeddedPgError::io("resolve", data_dir, fs::canonicalize(data_dir))?;
        let layout = Layout::new(&data_dir);
        let account = Account::for_cluster(&layout)?;
        layout.make_folders(&account)?;
        Ok(Self { layout, account })
    }

    /// Call only with the owner's lock held.
    fn run(&self, options: &Options) -> Result<Postmaster, EmbeddedPgError> {
        postmaster::stop_left_behind(&self.layout, options.stop_timeout)?;
        let binaries = cluster::ensure(&self.layout, &self.account, options)?;
        Postmaster::start(&self.layout, &self.account, &binaries, options)
    }
}

fn percent_encode(text: &OsStr) -> String {
    text.as_bytes()
        .iter()
        .map(|&byte| match byte {
            b'a'..=b'z' | b'A'..=b'Z' | b'0'..=b'9' | b'-' | b'_' | b'.' | b'~' | b'/' => {
                char::from(byte).to_string()
            }
            _ => format!("%{byte:02X}"),
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn percent_encode_reserved_and_multibyte_escapes_each_byte() {
        assert_eq!(percent_encode(OsStr::new("/a b/é&?%")), "/a%20b/%C3%A9%26%3F%25");
    }
}
