//! `tare kitroom members`.

use domain::wire::member::{MemberView, UpdateMember};
use serde_json::{Value, json};

use super::{MembersCommand, MembersRemoveArgs, MembersRoleArgs, shared};
use crate::app::App;
use crate::commands::sync::linked;
use crate::error::{Error, Result};
use crate::local::Kitroom;
use crate::local::items::fold;
use crate::remote::client::HttpClient;
use crate::remote::or_error;

/// Runs it.
///
/// # Errors
/// When the kitroom is not on the service, or the service refuses.
pub fn run(app: &mut App<'_>, command: MembersCommand) -> Result<()> {
    let store = app.store()?;
    let client = linked(&store)?;
    let room = shared(app, &store)?;
    let members = or_error(client.members(room.id), "the members could not be read")?;
    match command {
        MembersCommand::List => list(app, &members),
        MembersCommand::Role(args) => change(app, &client, &room, &members, &args),
        MembersCommand::Remove(args) => remove(app, &client, &room, &members, &args),
    }
}

fn to_json(member: &MemberView) -> Value {
    json!({ "account_id": member.account_id, "name": member.name, "role": member.role.name(), "since": member.created_at })
}

fn list(app: &mut App<'_>, members: &[MemberView]) -> Result<()> {
    let row = |member: &MemberView| {
        vec![member.name.clone(), member.role.name().to_owned(), member.created_at.to_string()]
    };
    let rows: Vec<Vec<String>> = members.iter().map(row).collect();
    let documents: Vec<Value> = members.iter().map(to_json).collect();
    app.rows(&["name", "role", "since"], &rows, || json!({ "members": documents }))
}

/// The member of this name, or with this in the name.
fn named<'a>(app: &mut App<'_>, members: &'a [MemberView], name: &str) -> Result<&'a MemberView> {
    let wanted = fold(name);
    let mut found: Vec<&MemberView> = members.iter().filter(|member| fold(&member.name) == wanted).collect();
    if found.is_empty() {
        found = members.iter().filter(|member| fold(&member.name).contains(&wanted)).collect();
    }
    match found.as_slice() {
        [] => Err(Error::refused(format!("no member is called {name}")).hint("see: tare kitroom members")),
        [one] => Ok(one),
        several => {
            let line = |member: &&MemberView| {
                format!("{}, {}, since {}", member.name, member.role.name(), member.created_at)
            };
            let lines: Vec<String> = several.iter().map(line).collect();
            let at = app.choose(&format!("several members match {name}:"), &lines, "more of the name")?;
            Ok(several[at])
        }
    }
}

fn change(
    app: &mut App<'_>,
    client: &HttpClient,
    room: &Kitroom,
    members: &[MemberView],
    args: &MembersRoleArgs,
) -> Result<()> {
    let member = named(app, members, &args.name)?;
    let update = UpdateMember { role: args.role };
    let changed = client.set_role(room.id, member.account_id.uuid(), &update);
    let changed = or_error(changed, "the role was not changed")?;
    let words = format!("{} is a {} of {} now", changed.name, changed.role.name(), room.name);
    app.done(&words, || to_json(&changed))
}

fn remove(
    app: &mut App<'_>,
    client: &HttpClient,
    room: &Kitroom,
    members: &[MemberView],
    args: &MembersRemoveArgs,
) -> Result<()> {
    let member = named(app, members, &args.name)?;
    or_error(client.remove_member(room.id, member.account_id.uuid()), "nobody was removed")?;
    let words = format!(
        "{} is no member of {} any more; their devices are told at the next sync",
        member.name, room.name
    );
    app.done(&words, || to_json(member))
}
