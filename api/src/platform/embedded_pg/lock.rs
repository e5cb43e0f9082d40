//! The two locks of a data folder. See the invariants of the parent module.

use std::fs::{self, File, OpenOptions, TryLockError};
use std::io::{Seek, Write};
use std::path::Path;
use std::thread::sleep;
use std::time::{Duration, Instant};

use super::cluster::Layout;
use super::error::EmbeddedPgError;

const PAUSE: Duration = Duration::from_millis(10);
/// A command that asks whether the service runs holds the service's lock for an instant.
const GLANCE: Duration = Duration::from_millis(300);

/// A lock that is held until it is dropped or its process ends, however that ends.
#[derive(Debug)]
pub(super) struct Lock {
    file: File,
}

impl Lock {
    /// The lock of the one service; refused at once if another service has it.
    pub(super) fn service(layout: &Layout) -> Result<Self, EmbeddedPgError> {
        let path = layout.service_lock();
        let Some(lock) = within(&path, GLANCE)? else {
            let noted = fs::read_to_string(&path).unwrap_or_default();
            let who = noted.trim().parse::<u32>().map(|pid| format!(" (process {pid})")).unwrap_or_default();
            return Err(EmbeddedPgError::InUse { dir: layout.data_dir().to_owned(), who });
        };
        EmbeddedPgError::io("note our process in", &path, note_process(&lock))?;
        Ok(lock)
    }

    /// The owner's lock, waiting for a command to finish.
    pub(super) fn owner_within(layout: &Layout, patience: Duration) -> Result<Self, EmbeddedPgError> {
        within(&layout.owner_lock(), patience)?.ok_or_else(|| busy(layout, patience))
    }

    /// The owner's lock, or `None` when the service has it; waits for another command to finish.
    pub(super) fn owner_or_service(
        layout: &Layout,
        patience: Duration,
    ) -> Result<Option<Self>, EmbeddedPgError> {
        let begun = Instant::now();
        loop {
            if let Some(owner) = attempt(&layout.owner_lock())? {
                return Ok(Some(owner));
            }
            if attempt(&layout.service_lock())?.is_none() {
                return Ok(None);
            }
            if begun.elapsed() >= patience {
                return Err(busy(layout, patience));
            }
            sleep(PAUSE);
        }
    }
}

/// Whether a service holds its lock now.
pub(super) fn service_runs(layout: &Layout) -> Result<bool, EmbeddedPgError> {
    Ok(attempt(&layout.service_lock())?.is_none())
}

fn busy(layout: &Layout, patience: Duration) -> EmbeddedPgError {
    EmbeddedPgError::Busy { dir: layout.data_dir().to_owned(), waited_s: patience.as_secs() }
}

fn within(path: &Path, patience: Duration) -> Result<Option<Lock>, EmbeddedPgError> {
    let begun = Instant::now();
    loop {
        let lock = attempt(path)?;
        if lock.is_some() || begun.elapsed() >= patience {
            return Ok(lock);
        }
        sleep(PAUSE);
    }
}

fn attempt(path: &Path) -> Result<Option<Lock>, EmbeddedPgError> {
    let opened = OpenOptions::new().read(true).write(true).create(true).truncate(false).open(path);
    let file = EmbeddedPgError::io("open", path, opened)?;
    match file.try_lock() {
        Ok(()) => Ok(Some(Lock { file })),
        Err(TryLockError::WouldBlock) => Ok(None),
        Err(TryLockError::Error(error)) => EmbeddedPgError::io("lock", path, Err(error)),
    }
}

fn note_process(lock: &Lock) -> std::io::Result<()> {
    let mut file = &lock.file;
    file.set_len(0)?;
    file.rewind()?;
    writeln!(file, "{}", std::process::id())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn service_lock_held_twice_names_the_process() {
        let dir = std::env::temp_dir().join(format!("tarebook-lock-{}", std::process::id()));
        let layout = Layout::new(&dir);
        fs::create_dir_all(layout.root()).unwrap();
        let first = Lock::service(&layout).unwrap();
        let refusal = Lock::service(&layout).unwrap_err().to_string();
        assert!(refusal.contains(&format!("(process {})", std::process::id())), "{refusal}");
        assert!(service_runs(&layout).unwrap());
        drop(first);
        assert!(!service_runs(&layout).unwrap());
        fs::remove_dir_all(&dir).unwrap();
    }
}
