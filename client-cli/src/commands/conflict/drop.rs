//! `tare conflict drop`.

use serde_json::json;

use crate::app::App;
use crate::cli::ConflictDropArgs;
use crate::error::{Error, Result};

/// Puts a refused change aside.
///
/// # Errors
/// When there is no refused change of this number.
pub fn cmd_conflict_drop(app: &mut App<'_>, args: &ConflictDropArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    if !store.put_aside(room.id, args.op_no)? {
        return Err(Error::refused(format!("there is no refused change {} in {}", args.op_no, room.name))
            .hint("see: tare conflict list"));
    }
    let words = format!("change {} is put aside; it is kept on this device and sent no more", args.op_no);
    app.done(&words, || json!({ "aside": args.op_no }))
}
