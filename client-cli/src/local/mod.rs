//! The replica on this device: SQLite in one folder that only its owner can read.
//!
//! `base` is what the service last told, `outbox` what was done here, `view` is base with the outbox replayed on top
//! (`overlay` holds what that changes): what people see. Every change is decided by the same pure code that the service uses before it enters the outbox.
//! One transaction for each thing that a person does, and one for each page that is pulled, cursor included.

pub mod act;
mod drain;
mod evidence;
pub mod items;
pub mod kitrooms;
pub mod loadouts;
pub mod machine;
pub mod named;
pub mod outbox;
mod page;
mod place;
mod rebase;
mod records;
pub mod recovery;
pub mod rehome;
pub mod replace;
mod settings;
mod waiting;

use std::fs;
use std::path::{Path, PathBuf};
use std::time::Duration;

use rusqlite::{Connection, OpenFlags, Transaction, TransactionBehavior};

use crate::config::Env;
use crate::error::{Error, Result};
use crate::mint::Mint;

pub use act::Draft;
pub use items::ItemLine;
pub use kitrooms::{Kitroom, Place};
pub use machine::{Machine, Stepped};
pub use outbox::{OutboxCounts, OutboxOp, State};
pub use page::PageApplied;
pub use place::Moved;
pub use replace::Lost;
pub use waiting::Waiting;

/// The layout of this version.
const LAYOUT: i32 = 1;
/// The most memory for pages of the file, KiB.
const CACHE_KIB: i32 = 8 * 1024;

/// The replica, opened.
#[derive(Debug)]
pub struct Store {
    conn: Connection,
    env: Env,
    mint: Mint,
}

impl Store {
    /// The file in a folder.
    #[must_use]
    pub fn file(home: &Path) -> PathBuf {
        home.join("replica.db")
    }

    /// Opens the replica and makes it when there is none.
    ///
    /// # Errors
    /// When the folder or the file cannot be made or read, or was written by a later version.
    pub fn open(env: &Env) -> Result<Self> {
        let path = Self::file(&env.home);
        private_folder(&env.home)?;
        private_file(&path)?;
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut conn = Connection::open_with_flags(&path, flags)?;
        conn.busy_timeout(Duration::from_secs(10))?;
        conn.pragma_update(None, "synchronous", "FULL")?;
        // A page of a large kitroom changes more than SQLite's 2 MiB, which would go to the disk twice.
        conn.pragma_update(None, "cache_size", -CACHE_KIB)?;
        let layout: i32 = conn.pragma_query_value(None, "user_version", |row| row.get(0))?;
        if layout > LAYOUT {
            return Err(Error::refused("a later version of tare has written this replica")
                .because(format!("its layout is {layout}, this version knows {LAYOUT}"))
                .hint("use the newer tare; nothing was changed"));
        }
        if layout < LAYOUT {
            lay(&mut conn, env)?;
        }
        Ok(Self { conn, env: env.clone(), mint: Mint::new() })
    }

    /// The surroundings.
    #[must_use]
    pub fn env(&self) -> &Env {
        &self.env
    }

    /// A new identifier.
    #[must_use]
    pub fn new_id(&self) -> uuid::Uuid {
        self.mint.id(self.env.now())
    }

    /// A transaction that takes the write lock at once, so that two runs take turns instead of failing halfway.
    fn begin(&mut self) -> Result<Transaction<'_>> {
        Ok(self.conn.transaction_with_behavior(TransactionBehavior::Immediate)?)
    }

    /// SQLite's own check of the whole file, indexes included: empty when it is sound.
    ///
    /// # Errors
    /// When the file cannot be read at all.
    pub fn faults(&self) -> Result<Vec<String>> {
        let mut statement = self.conn.prepare("PRAGMA integrity_check")?;
        let lines = statement.query_map([], |row| row.get::<_, String>(0))?;
        let lines = lines.collect::<rusqlite::Result<Vec<_>>>()?;
        Ok(lines.into_iter().filter(|line| line != "ok").collect())
    }
}

fn lay(conn: &mut Connection, env: &Env) -> Result<()> {
    conn.pragma_update_and_check(None, "journal_mode", "WAL", |_| Ok(()))?;
    let tx = conn.transaction_with_behavior(TransactionBehavior::Immediate)?;
    let layout: i32 = tx.pragma_query_value(None, "user_version", |row| row.get(0))?;
    // Another run may have laid it while this one waited for the lock.
    if layout == 0 {
        tx.execute_batch(include_str!("schema.sql"))?;
        tx.pragma_update(None, "user_version", LAYOUT)?;
        place::note(&tx, env)?;
    }
    Ok(tx.commit()?)
}

/// Makes a folder that only its owner can enter.
///
/// # Errors
/// When it cannot be made.
pub fn private_folder(path: &Path) -> Result<()> {
    let failed = |error: std::io::Error| {
        Error::internal(format!("the folder {} cannot be made", path.display()))
            .because(error)
            .hint(format!("set {} to a folder of your own", crate::config::HOME_VARIABLE))
    };
    if path.is_dir() {
        return Ok(());
    }
    let mut builder = fs::DirBuilder::new();
    builder.recursive(true);
    #[cfg(unix)]
    std::os::unix::fs::DirBuilderExt::mode(&mut builder, 0o700);
    builder.create(path).map_err(failed)
}

/// Makes a file that only its owner can read, and mends the mode of one that is there. SQLite gives its side files the
/// mode of the main file.
fn private_file(path: &Path) -> Result<()> {
    let failed = |error: std::io::Error| {
        Error::internal(format!("the file {} cannot be opened", path.display())).because(error)
    };
    if !path.exists() {
        let mut options = fs::OpenOptions::new();
        options.write(true).create(true);
        #[cfg(unix)]
        std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
        options.open(path).map_err(failed)?;
    }
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let mode = fs::metadata(path).map_err(failed)?.permissions().mode();
        if mode & 0o077 != 0 {
            fs::set_permissions(path, fs::Permissions::from_mode(0o600)).map_err(failed)?;
        }
    }
    Ok(())
}
