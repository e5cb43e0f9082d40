//! The commands, one file each.

mod attention;
mod completions;
pub mod conflict;
mod doctor;
pub mod export;
pub mod import;
pub mod item;
pub mod kit_check;
pub mod kitroom;
pub mod link;
pub mod loadout;
pub mod log;
mod man;
mod order;
pub mod race;
pub mod scale;
pub mod season;
mod several;
pub mod sheet;
mod status;
pub mod stock;
pub mod sync;
mod take_back;
pub mod trend;
mod unlink;
pub mod weigh;
mod when;

use crate::app::App;
use crate::cli::Command;
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
        Command::Log(command) => log::run(app, command).map(|()| None),
        Command::Stock(command) => stock::run(app, command).map(|()| None),
        Command::Attention => attention::cmd_attention(app).map(|()| None),
        Command::Trend(command) => trend::run(app, command).map(|()| None),
        Command::Loadout(command) => loadout::run(app, *command).map(|()| None),
        Command::KitCheck(args) => kit_check::cmd_kit_check(app, &args).map(|()| None),
        Command::Race(command) => race::run(app, command).map(|()| None),
        Command::Sheet(command) => sheet::run(app, command).map(|()| None),
        Command::Season(command) => season::run(app, command).map(|()| None),
        Command::Export(args) => export::cmd_export(app, &args).map(|()| None),
        Command::Import(args) => import::cmd_import(app, &args).map(|()| None),
        Command::Scale(command) => scale::run(app, command).map(|()| None),
        Command::Kitroom(command) => kitroom::run(app, command).map(|()| None),
        Command::Link(args) => link::cmd_link(app, args),
        Command::Unlink => unlink::cmd_unlink(app).map(|()| None),
        Command::Sync(args) => sync::cmd_sync(app, &args),
        Command::Status => status::cmd_status(app),
        Command::Conflict(command) => conflict::run(app, command),
        Command::Doctor => doctor::cmd_doctor(app),
        Command::Completions(args) => completions::cmd_completions(app, &args).map(|()| None),
        Command::Man(args) => man::cmd_man(app, &args).map(|()| None),
    }
}
