//! `tare kitroom`.

mod invite;
mod join;
mod list;
mod members;
mod new;
mod switch;

use clap::{Args, Subcommand};
use domain::sync::op::Role;
use serde_json::{Value, json};

use crate::app::App;
use crate::error::{Error, Result};
use crate::local::{Kitroom, Place, Store};

/// What to do with kitrooms.
#[derive(Debug, Subcommand)]
pub enum KitroomCommand {
    /// Make a kitroom on this device; it goes to the service at the next sync.
    New(KitroomNewArgs),
    /// List the kitrooms on this device.
    List,
    /// Use this kitroom from now on.
    Use(KitroomUseArgs),
    /// Invite somebody to the kitroom: prints a secret for them, once.
    Invite(KitroomInviteArgs),
    /// Take up an invitation; its secret is asked for, or read from standard input.
    Join,
    /// List the members; change their roles; remove them.
    Members(KitroomMembersArgs),
}

/// A new kitroom.
#[derive(Debug, Args)]
pub struct KitroomNewArgs {
    /// Whose kit it is.
    pub name: String,
    /// A club's, not a runner's own.
    #[arg(long)]
    pub club: bool,
}

/// Which kitroom.
#[derive(Debug, Args)]
pub struct KitroomUseArgs {
    /// A part of its name.
    pub name: String,
}

/// Whom to invite.
#[derive(Debug, Args)]
pub struct KitroomInviteArgs {
    /// What they may do: viewer, member or keeper. A member of a club when absent, a viewer of a runner's own kit.
    #[arg(long, value_parser = role)]
    pub role: Option<Role>,
    /// For whom it is meant, as a reminder in the list.
    #[arg(long)]
    pub note: Option<String>,
    /// For how many hours it is good; a week when absent.
    #[arg(long, value_name = "HOURS")]
    pub expires_in_h: Option<u32>,
}

/// What to do with the members.
#[derive(Debug, Args)]
pub struct KitroomMembersArgs {
    /// What to do; list them when absent.
    #[command(subcommand)]
    pub command: Option<MembersCommand>,
}

/// What can be done with members.
#[derive(Debug, Subcommand)]
pub enum MembersCommand {
    /// List them.
    List,
    /// Give one another role.
    Role(MembersRoleArgs),
    /// Remove one; or leave, by your own name.
    Remove(MembersRemoveArgs),
}

/// Another role.
#[derive(Debug, Args)]
pub struct MembersRoleArgs {
    /// A part of the member's name.
    pub name: String,
    /// viewer, member or keeper.
    #[arg(value_parser = role)]
    pub role: Role,
}

/// Whom to remove.
#[derive(Debug, Args)]
pub struct MembersRemoveArgs {
    /// A part of the member's name.
    pub name: String,
}

/// A role that a device may give. An owner is made with a login, which a lost device does not have.
fn role(text: &str) -> std::result::Result<Role, String> {
    match Role::from_name(text) {
        Some(Role::Owner) => {
            Err("a device cannot make an owner: that takes a login with the password".into())
        }
        Some(role) => Ok(role),
        None => Err("is none of viewer, member, keeper".into()),
    }
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: KitroomCommand) -> Result<()> {
    match command {
        KitroomCommand::New(args) => new::cmd_kitroom_new(app, &args),
        KitroomCommand::List => list::cmd_kitroom_list(app),
        KitroomCommand::Use(args) => switch::cmd_kitroom_use(app, &args),
        KitroomCommand::Invite(args) => invite::cmd_kitroom_invite(app, &args),
        KitroomCommand::Join => join::cmd_kitroom_join(app),
        KitroomCommand::Members(args) => members::run(app, args.command.unwrap_or(MembersCommand::List)),
    }
}

/// A kitroom as JSON.
#[must_use]
pub fn to_json(room: &Kitroom) -> Value {
    json!({
        "id": room.id, "name": room.name, "purpose": room.purpose.name(), "role": room.role.name(),
        "place": room.place.name(),
    })
}

/// The kitroom that the command is about, which the service must know.
fn shared(app: &mut App<'_>, store: &Store) -> Result<Kitroom> {
    let room = app.room(store)?;
    match room.place {
        Place::Linked => Ok(room),
        Place::Here => Err(Error::refused(format!("{} is on this device only", room.name)).hint("tare sync")),
        Place::Apart => Err(Error::refused(format!("{} is on this device only", room.name))
            .because("it was kept apart from the service")),
    }
}
