//! What can go wrong with the private server; each message is one line that says what to do.

use std::io;
use std::path::{Path, PathBuf};

/// Why the private PostgreSQL could not be had.
#[derive(Debug, thiserror::Error)]
#[non_exhaustive]
pub enum EmbeddedPgError {
    /// No `postgres` and `initdb` in any of the usual places.
    #[error(
        "no PostgreSQL server programs found (looked in {searched}): install them \
         (Debian, Ubuntu: apt-get install postgresql), or give a server with --database-url"
    )]
    NoBinaries {
        /// The places that were searched.
        searched: String,
    },
    /// Only servers older than the oldest that the service supports.
    #[error(
        "PostgreSQL {found} in {dir} is too old, {least} or newer is needed: install a newer one \
         (Debian, Ubuntu: apt-get install postgresql)"
    )]
    TooOld {
        /// The newest major version found.
        found: u32,
        /// The oldest one that will do.
        least: u32,
        /// Where it was found.
        dir: PathBuf,
    },
    /// The cluster was made by a major version that is not installed.
    #[error(
        "the database in {cluster} was made by PostgreSQL {made_by}, but only {installed} is installed: \
         install that version again (Debian, Ubuntu: apt-get install postgresql-{made_by})"
    )]
    VersionMismatch {
        /// The cluster's folder.
        cluster: PathBuf,
        /// The version that made it, from its `PG_VERSION`.
        made_by: String,
        /// The versions found, or "none".
        installed: String,
    },
    /// Another service runs on the same data folder.
    #[error("{dir} is in use by another running service{who}: stop that one, or choose another --data-dir")]
    InUse {
        /// The data folder.
        dir: PathBuf,
        /// ` (process N)` when known.
        who: String,
    },
    /// A command has held the server for longer than is reasonable.
    #[error(
        "a command still uses the database in {dir} after {waited_s} s: wait for it or end it, then try again"
    )]
    Busy {
        /// The data folder.
        dir: PathBuf,
        /// How long this start waited, seconds.
        waited_s: u64,
    },
    /// PostgreSQL must not run as root, and its account cannot reach the data folder.
    #[error(
        "PostgreSQL runs as user {user}, who cannot enter {blocked}: choose a --data-dir that \
         others may pass through to (as under /var/lib), or start as another user than root"
    )]
    Unreachable {
        /// The account that PostgreSQL gets.
        user: String,
        /// The first folder on the way that it cannot enter.
        blocked: PathBuf,
    },
    /// The cluster belongs to someone else.
    #[error(
        "{path} belongs to user {owner}, not to {me}: start as {owner} or as root, or choose another --data-dir"
    )]
    ForeignOwner {
        /// The folder.
        path: PathBuf,
        /// Its owner.
        owner: String,
        /// Who asks.
        me: String,
    },
    /// Started as root, and there is neither a `postgres` nor a `nobody` account to drop to.
    #[error(
        "PostgreSQL must not run as root, and there is no user postgres or nobody: add one, or start as another user"
    )]
    NoAccount,
    /// Something else lies where the cluster should be.
    #[error(
        "{dir} is no PostgreSQL data folder (it has no readable PG_VERSION): move it away, or choose another --data-dir"
    )]
    NotACluster {
        /// The folder.
        dir: PathBuf,
    },
    /// The cluster could not be made.
    #[error("could not make the database in {cluster}: {said}")]
    InitFailed {
        /// The cluster's folder.
        cluster: PathBuf,
        /// The last thing that PostgreSQL said.
        said: String,
    },
    /// The server ended before it was ready.
    #[error("PostgreSQL did not start: {said} (more in {log})")]
    StartFailed {
        /// The last error in its log.
        said: String,
        /// The log.
        log: PathBuf,
    },
    /// The server is not ready after the longest wait.
    #[error("PostgreSQL is not ready after {waited_s} s: see {log}")]
    StartTimeout {
        /// The wait, seconds.
        waited_s: u64,
        /// The log.
        log: PathBuf,
    },
    /// The server does not go away.
    #[error("PostgreSQL (process {pid}) does not stop: end it by hand, then start again")]
    StopTimeout {
        /// Its process id.
        pid: u32,
    },
    /// The system refused something.
    #[error("could not {action} {path}: {source}")]
    Io {
        /// What was tried.
        action: &'static str,
        /// On which file or folder.
        path: PathBuf,
        /// Why not.
        source: io::Error,
    },
}

impl EmbeddedPgError {
    /// Names the file and the action of a failed system call.
    pub(super) fn io<T>(action: &'static str, path: &Path, result: io::Result<T>) -> Result<T, Self> {
        result.map_err(|source| Self::Io { action, path: path.to_owned(), source })
    }
}
