//! `tare kitroom use`.

use super::{KitroomUseArgs, to_json};
use crate::app::App;
use crate::error::Result;

/// Uses a kitroom from now on.
///
/// # Errors
/// When no kitroom or more than one matches.
pub fn cmd_kitroom_use(app: &mut App<'_>, args: &KitroomUseArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room_named(&store, &args.name)?;
    store.use_kitroom(room.id)?;
    app.done(&format!("{} is in use", room.name), || to_json(&room))
}
