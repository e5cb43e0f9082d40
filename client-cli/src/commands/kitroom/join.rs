//! `tare kitroom join`.

use domain::wire::member::CreateMembership;
use serde_json::json;

use crate::app::App;
use crate::commands::sync::linked;
use crate::error::{Error, Result};
use crate::remote::or_error;
use crate::sync::{Answer, run};

/// Takes up an invitation and gets the kitroom. The secret is never an argument, where the process list shows it.
///
/// # Errors
/// When this device is not linked, the invitation is not good, or the kitroom cannot be had yet.
pub fn cmd_kitroom_join(app: &mut App<'_>) -> Result<()> {
    let mut store = app.store()?;
    let mut client = linked(&store)?;
    let secret = if app.ui.can_ask {
        app.ui.ask_secret("invitation (it is not shown) > ")?
    } else {
        app.ui.line()?.unwrap_or_default()
    };
    let secret = secret.trim().to_owned();
    if secret.is_empty() {
        return Err(Error::usage("no invitation came in on standard input"));
    }
    // The same account may ask again: when the answer was lost it gets the same one.
    let joined =
        or_error(client.join(&CreateMembership { invitation: secret }), "the invitation was not taken up")?;
    // What is this account's own is left for tare sync to ask about.
    run(&mut store, &mut client, &mut |_| Ok(Answer::Later))?;
    let id = joined.kitroom_id.uuid();
    let room = store.kitrooms()?.into_iter().find(|room| room.id == id).ok_or_else(|| {
        Error::refused("you are a member now, but the kitroom is not here yet").hint("tare sync")
    })?;
    store.use_kitroom(room.id)?;
    let words =
        format!("you are a {} of {} now; it is on this device and in use", joined.role.name(), room.name);
    app.done(&words, || json!({ "id": room.id, "name": room.name, "role": joined.role.name() }))
}
