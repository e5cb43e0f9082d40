//! What happens in a history, and in which order.

use super::Fault;

/// One thing that happens.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Turn {
    Work,
    Sync,
    Fault(Fault),
    /// A copy of a device's folder is taken, for later.
    CopyStore,
    /// A backup of the service is taken, for later.
    BackUp,
    /// A copy of PostgreSQL's folder is taken, for later.
    CopyFolder,
}

/// What happens in the history of a seed besides work and syncs; four in a row have everything.
pub(super) fn deck(seed: u64) -> Vec<Turn> {
    use Turn::{BackUp, CopyFolder, CopyStore, Fault as F};
    match seed % 4 {
        0 => vec![
            F(Fault::ClientKilledBeforeSend),
            F(Fault::ServiceKilled),
            F(Fault::ClientKilledAtWork),
            F(Fault::ClockJumped),
            F(Fault::DiskFullAtWork),
            F(Fault::DatabaseStopped),
            F(Fault::ClientKilledBeforeAnswer),
        ],
        1 => vec![
            CopyStore,
            F(Fault::DatabaseStopped),
            F(Fault::ClientKilledBeforeAnswer),
            F(Fault::StorePutBack),
            F(Fault::DiskFullAtSync),
            F(Fault::ServiceKilled),
        ],
        2 => vec![
            F(Fault::ClockJumped),
            CopyStore,
            F(Fault::ServiceKilled),
            F(Fault::ClientKilledBeforeSend),
            F(Fault::StoreReplaced),
            F(Fault::ClientKilledAtWork),
            F(Fault::DatabaseStopped),
        ],
        _ if (seed / 4).is_multiple_of(2) => vec![
            BackUp,
            F(Fault::ServiceKilled),
            F(Fault::DiskFullAtSync),
            F(Fault::ServiceRestored),
            F(Fault::ClientKilledBeforeAnswer),
            CopyFolder,
            F(Fault::FolderPutBack),
        ],
        _ => vec![
            CopyFolder,
            F(Fault::ClientKilledBeforeSend),
            F(Fault::FolderPutBack),
            F(Fault::DatabaseStopped),
            BackUp,
            F(Fault::DiskFullAtWork),
            F(Fault::ServiceRestored),
        ],
    }
}
