//! What the service does not have, written to a file before anything is taken off this device.

use std::io::Write;
use std::path::PathBuf;

use serde_json::json;

use crate::error::{Error, Result};
use crate::local::{Kitroom, State, Store};

/// Writes what is not sent, refused, or put aside of a kitroom to a file that only its owner can read. None when there is
/// nothing. Answers the file and how many changes are in it.
///
/// # Errors
/// When the file cannot be written whole.
pub fn export_unsent(store: &Store, room: &Kitroom) -> Result<Option<(PathBuf, usize)>> {
    let states = [State::Pending, State::Sent, State::Rejected, State::Aside];
    let ops = store.outbox(room.id, &states)?;
    if ops.is_empty() {
        return Ok(None);
    }
    let exported: Vec<_> = ops
        .iter()
        .map(|op| json!({ "op": op.to_push(), "state": op.state.name(), "problem": op.problem }))
        .collect();
    let document = json!({ "kitroom_id": room.id, "kitroom": room.name, "ops": exported });
    let stamp = store.env().now().millis();
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let path = store.env().home.join(format!("unsent-{stamp}-{}.json", room.id));
    let failed = |error: std::io::Error| {
        Error::internal(format!("{} of {} could not be written out", words(ops.len()), room.name))
            .because(format!("{}: {error}", path.display()))
            .hint("make room or mend the folder and try again; nothing was taken off this device")
    };
    let mut file = options.open(&path).map_err(failed)?;
    let text = serde_json::to_string_pretty(&document)?;
    file.write_all(text.as_bytes()).and_then(|()| file.sync_all()).map_err(failed)?;
    // The name has to be on the disk as well.
    #[cfg(unix)]
    std::fs::File::open(&store.env().home).and_then(|folder| folder.sync_all()).map_err(failed)?;
    Ok(Some((path, ops.len())))
}

fn words(ops: usize) -> String {
    crate::render::count(i64::try_from(ops).unwrap_or(i64::MAX), "unsent change")
}
