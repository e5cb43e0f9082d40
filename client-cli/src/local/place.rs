//! Where the replica lies: on which machine, in which file. A copy of it must not use its numbers.

use domain::sync::client::{Event, Patience};
use rusqlite::Connection;

use super::{Store, settings};
use crate::config::Env;
use crate::error::Result;

/// How the replica came to where it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Moved {
    /// It was made on another machine.
    OtherMachine,
    /// It was made in another file: copied, or put back from a backup.
    OtherFile,
}

/// The machine and the file, as far as the system tells.
fn here(env: &Env) -> (Option<String>, Option<String>) {
    #[cfg(unix)]
    let file = {
        use std::os::unix::fs::MetadataExt;
        std::fs::metadata(Store::file(&env.home)).ok().map(|data| data.ino().to_string())
    };
    #[cfg(not(unix))]
    let file = None;
    (env.machine.clone(), file)
}

/// Notes where the replica lies.
pub(super) fn note(conn: &Connection, env: &Env) -> Result<()> {
    let (machine, file) = here(env);
    settings::set(conn, "machine", machine.as_deref())?;
    settings::set(conn, "file", file.as_deref())
}

impl Store {
    /// Whether the replica has come from elsewhere since its place was noted.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn moved(&self) -> Result<Option<Moved>> {
        let (machine, file) = here(self.env());
        let differs = |name: &str, now: &Option<String>| -> Result<bool> {
            Ok(self.setting(name)?.is_some_and(|noted| now.as_ref().is_some_and(|now| *now != noted)))
        };
        Ok(if differs("machine", &machine)? {
            Some(Moved::OtherMachine)
        } else if differs("file", &file)? {
            Some(Moved::OtherFile)
        } else {
            None
        })
    }

    /// Settles in where the replica lies now: as the one that it was, if it has only moved, else as a device of its own.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn settle_here(&mut self, has_only_moved: bool) -> Result<()> {
        if !has_only_moved {
            let mut machine = self.machine(Patience::SHORT)?;
            self.step(&mut machine, Event::Copied, None)?;
        }
        note(&self.conn, &self.env)
    }
}
