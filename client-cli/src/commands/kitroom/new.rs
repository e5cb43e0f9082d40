//! `tare kitroom new`.

use domain::wire::kitroom::Purpose;

use super::{KitroomNewArgs, to_json};
use crate::app::{App, make_room};
use crate::error::{Error, Result};
use crate::local::items::fold;

/// Makes a kitroom on this device.
///
/// # Errors
/// When the name is not valid or taken here, or there is a personal one already.
pub fn cmd_kitroom_new(app: &mut App<'_>, args: &KitroomNewArgs) -> Result<()> {
    let mut store = app.store()?;
    let purpose = if args.club { Purpose::Club } else { Purpose::Personal };
    for room in store.kitrooms()? {
        if fold(&room.name) == fold(&args.name) {
            return Err(Error::refused(format!("there is a kitroom called {} already", room.name))
                .hint("give it another name"));
        }
        let own = room.role == domain::sync::op::Role::Owner && room.purpose == Purpose::Personal;
        if own && purpose == Purpose::Personal {
            return Err(Error::refused(format!("{} is your own kitroom already", room.name))
                .because("a runner has one")
                .hint("for a club's kit, say --club"));
        }
    }
    let room = make_room(&mut store, &args.name, purpose)?;
    app.done(&format!("{} is on this device", room.name), || to_json(&room))
}
