//! `tare weigh NAME 412`: one item at once, without a sitting.

use super::session::{Session, Target};
use super::taken::Taken;
use super::{WeighArgs, close, pick, setup};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Store;

/// Saves one reading of one item.
///
/// # Errors
/// When the item or the scale is not clear, or the reading is refused.
pub fn weigh_one(app: &mut App<'_>, store: &mut Store, args: &WeighArgs, name: &str) -> Result<()> {
    let reading = if args.reading.is_empty() {
        if !app.ui.can_ask {
            return Err(Error::usage("what the scale shows is missing").hint("as in: tare weigh NAME 412"));
        }
        app.ui.ask(&format!("{name}: the scale shows > "))?.unwrap_or_default()
    } else {
        args.reading.join(" ")
    };
    let taken = Taken::typed(&reading)?;
    let room = app.room_or_first(store, args.whose.as_deref())?;
    let scale = setup::scale(app, store, &room, args)?;
    let mut session = Session::begin(store, room, scale, false)?;
    let target = target(app, &session, name, args)?;
    let saved = session.save(&taken, &target, &args.conditions)?;
    app.ui.say(&saved.describe());
    close(app, &session)
}

fn target(app: &mut App<'_>, session: &Session<'_>, name: &str, args: &WeighArgs) -> Result<Target> {
    let kind = pick::kind(args.kind.as_deref())?;
    let found = session.store.find_items(session.room.id, name)?;
    if args.new {
        return pick::listed(session, name, kind);
    }
    if !found.is_empty() {
        return app.item(session.store, session.room.id, name).map(pick::there);
    }
    let new = || pick::listed(session, name, kind);
    if !app.ui.can_ask {
        return Err(Error::refused(format!("no item here has {name} in its name or tag"))
            .hint("to make it, add --new"));
    }
    let answer = app.ui.ask(&format!("there is no {name} yet; make it? Enter, or n > "))?;
    match answer.as_deref().map(str::trim) {
        Some("" | "y" | "yes") => new(),
        _ => Err(Error::refused("nothing was saved").because(format!("there is no item {name}"))),
    }
}
