//! The commands, one file each.

mod completions;
mod conflict;
mod doctor;
pub mod item;
pub mod kitroom;
pub mod link;
mod man;
pub mod scale;
mod status;
pub(crate) mod sync;
mod unlink;
pub mod weigh;

use crate::app::App;
use crate::cli::{Command, ConflictCommand};
use crate::error::{Kind, Result};

/// Runs a command. A kind that comes back without an error sets the exit code: the command was done, and something
/// waits for a person.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: Command) -> Result<Option<Kind>> {
    match command {
        Command::Weigh(args) => weigh::cmd_weigh(app, &args).map(|()| None),
        Command::Item(command) => item::run(app, command).map(|()| None),
        Command::Scale(command) => scale::run(app, command).map(|()| None),
        Command::Kitroom(command) => kitroom::run(app, command).map(|()| None),
        Command::Link(args) => link::cmd_link(app, args),
        Command::Unlink => unlink::cmd_unlink(app).map(|()| None),
        Command::Sync(args) => sync::cmd_sync(app, &args),
        Command::Status => status::cmd_status(app),
        Command::Conflict(ConflictCommand::List) => conflict::list::cmd_conflict_list(app),
        Command::Conflict(ConflictCommand::Drop(args)) => {
            conflict::drop::cmd_conflict_drop(app, &args).map(|()| None)
        }
        Command::Doctor => doctor::cmd_doctor(app),
        Command::Completions(args) => completions::cmd_completions(app, &args).map(|()| None),
        Command::Man(args) => man::cmd_man(app, &args).map(|()| None),
    }
}
