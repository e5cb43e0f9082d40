//! One sync at a time for a replica.

use std::fs::{File, OpenOptions, TryLockError};

use crate::config::Env;
use crate::error::{Error, Result};

/// Held while syncing; the system lets go of it even when the process is killed.
#[derive(Debug)]
pub struct Lock(#[expect(dead_code, reason = "held for its lock only")] File);

/// Takes the lock.
///
/// # Errors
/// Refused when another sync runs.
pub fn take(env: &Env) -> Result<Lock> {
    crate::local::private_folder(&env.home)?;
    let mut options = OpenOptions::new();
    options.write(true).create(true).truncate(false);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let file = options.open(env.home.join("sync.lock"))?;
    match file.try_lock() {
        Ok(()) => Ok(Lock(file)),
        Err(TryLockError::WouldBlock) => {
            Err(Error::refused("another sync of this device is running").hint("wait until it is done"))
        }
        Err(TryLockError::Error(error)) => Err(error.into()),
    }
}
