//! `tare kitroom`.

mod list;
mod new;
mod switch;

use clap::{Args, Subcommand};
use serde_json::{Value, json};

use crate::app::App;
use crate::error::Result;
use crate::local::Kitroom;

/// What to do with kitrooms.
#[derive(Debug, Subcommand)]
pub enum KitroomCommand {
    /// Make a kitroom on this device; it goes to the service at the next sync.
    New(KitroomNewArgs),
    /// List the kitrooms on this device.
    List,
    /// Use this kitroom from now on.
    Use(KitroomUseArgs),
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

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: KitroomCommand) -> Result<()> {
    match command {
        KitroomCommand::New(args) => new::cmd_kitroom_new(app, &args),
        KitroomCommand::List => list::cmd_kitroom_list(app),
        KitroomCommand::Use(args) => switch::cmd_kitroom_use(app, &args),
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
