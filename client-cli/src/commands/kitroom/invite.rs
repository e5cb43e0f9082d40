//! `tare kitroom invite`.

use domain::sync::op::Role;
use domain::wire::kitroom::Purpose;
use domain::wire::member::CreateInvitation;
use domain::wire::text::Name;
use serde_json::json;

use super::{KitroomInviteArgs, shared};
use crate::app::App;
use crate::commands::sync::linked;
use crate::error::{Error, Result};
use crate::remote::or_error;

/// Invites somebody: the secret goes to standard output, what to do with it to the person.
///
/// # Errors
/// When the kitroom is not on the service, or the service refuses.
pub fn cmd_kitroom_invite(app: &mut App<'_>, args: &KitroomInviteArgs) -> Result<()> {
    let store = app.store()?;
    let client = linked(&store)?;
    let room = shared(app, &store)?;
    let usual = if room.purpose == Purpose::Club { Role::Member } else { Role::Viewer };
    let role = args.role.unwrap_or(usual);
    let note = args.note.as_deref().map(Name::new).transpose();
    let note = note.map_err(|why| Error::usage("the note").because(why))?;
    let wanted = CreateInvitation { role, note, expires_in_h: args.expires_in_h };
    let made = or_error(client.invite(room.id, &wanted), "nobody was invited")?;
    let secret = made.token.ok_or_else(|| {
        Error::refused("nobody was invited").because("the service answered an invitation without its secret")
    })?;
    if app.ui.json {
        return app.ui.json(&json!({
            "id": made.id, "kitroom_id": room.id, "kitroom": room.name, "role": role.name(),
            "expires_at": made.expires_at, "invitation": secret,
        }));
    }
    app.ui.say(&format!(
        "an invitation to {} as {}, for one person, until {}; it is shown this once:",
        room.name,
        role.name(),
        made.expires_at
    ));
    app.ui.data(&format!("{secret}\n"))?;
    app.ui.say(
        "give it to them in a way that nobody else can read. They link their device (tare link URL), run \
         tare kitroom join, and paste it",
    );
    Ok(())
}
