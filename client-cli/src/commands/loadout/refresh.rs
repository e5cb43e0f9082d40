//! `tare loadout refresh`: masses and verdicts read of another kitroom's item only what was seen of it.

use domain::kinds::loadout_entry::KIND;
use domain::sync::op::Action;

use super::packed::Packed;
use super::put::difference;
use super::{LoadoutNameArgs, after, open};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Draft;

/// Looks anew at each item of another kitroom that is on this device.
///
/// # Errors
/// When the loadout is sealed, or holds nothing of another kitroom.
pub fn cmd_loadout_refresh(app: &mut App<'_>, args: &LoadoutNameArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    open.refuse_sealed()?;
    let packed = Packed::of(&store, &open)?;
    let rooms = store.kitrooms()?;
    let (mut drafts, mut words, mut touched) = (Vec::new(), Vec::new(), Vec::new());
    for line in &packed.lines {
        let Some(elsewhere) = line.entry.body.item_kitroom_id else { continue };
        touched.push(line.entry.body.item_id);
        let room = rooms.iter().find(|room| room.id == elsewhere.uuid());
        let seen = match room {
            Some(room) => store.seen(room, line.entry.body.item_id.uuid()).map_err(|error| error.what),
            None => Err("its kitroom is not on this device".to_owned()),
        };
        match seen {
            Ok(seen) => {
                let mut body = line.entry.body.clone();
                body.seen = Some(seen);
                let payload = difference(&line.entry.body, &body)?;
                drafts.push(Draft { kind: &KIND, record_id: line.entry.id, action: Action::Patch, payload });
                words.push(format!("{}: looked at now", line.name));
            }
            Err(why) => words.push(format!("{}: as it was seen before; {why}", line.name)),
        }
    }
    if touched.is_empty() {
        return Err(Error::refused(format!("{} holds nothing of another kitroom", open.name())));
    }
    store.act(open.room.id, &drafts)?;
    after::changed(app, &mut store, &open, &words, &touched)
}
