//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueHint};

use crate::commands::{item, kitroom, link, scale, weigh};

const EVERYWHERE: &str = "Everywhere";

const EXIT_CODES: &str = "Exit codes: 0 ok, 1 refused, 2 usage, 3 the service cannot be reached, \
                          4 something waits for you, 70 a fault of tare or of the disk.\n\
                          TARE_HOME names the folder of the replica and the settings.";

/// Weighs kit, keeps it on this device, and syncs it with a Tarebook service when there is one.
#[derive(Debug, Parser)]
#[command(name = "tare", bin_name = "tare", version, after_help = EXIT_CODES, term_width = 80)]
pub struct Cli {
    /// Print data as JSON on standard output.
    #[arg(long, global = true, help_heading = EVERYWHERE)]
    pub json: bool,
    /// The kitroom to work on, by a part of its name, instead of the one in use.
    #[arg(long, global = true, value_name = "NAME", help_heading = EVERYWHERE)]
    pub kitroom: Option<String>,
    /// The command.
    #[command(subcommand)]
    pub command: Command,
}

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Weigh items: one after the other, or one at once.
    Weigh(Box<weigh::WeighArgs>),
    /// Items of kit.
    #[command(subcommand)]
    Item(item::ItemCommand),
    /// Scales.
    #[command(subcommand)]
    Scale(scale::ScaleCommand),
    /// Whose kit it is: one kitroom for each runner, one for each club.
    #[command(subcommand)]
    Kitroom(kitroom::KitroomCommand),
    /// Link this device to a service.
    Link(link::LinkArgs),
    /// Take the link back; what is on this device stays.
    Unlink,
    /// Send what was done here and get what was done elsewhere.
    Sync(SyncArgs),
    /// What is here, what is sent, and what waits for you.
    Status,
    /// Changes that contradict what somebody else did.
    #[command(subcommand)]
    Conflict(ConflictCommand),
    /// Check the replica, the stored masses, the token and the service.
    Doctor,
    /// Print the completions for a shell.
    Completions(CompletionsArgs),
    /// Print the manual page, or write those of all commands into a folder.
    Man(ManArgs),
}

/// What to do with a kitroom of your own on this device when the account has one on the service.
#[derive(Debug, Clone, Default, Args)]
pub struct SyncArgs {
    /// A kitroom of yours is here and another on the service: put the two together.
    #[arg(long)]
    pub join: bool,
    /// A kitroom of yours is here and another on the service: leave this one here.
    #[arg(long, conflicts_with = "join")]
    pub keep_apart: bool,
}

/// What to do about conflicts.
#[derive(Debug, Subcommand)]
pub enum ConflictCommand {
    /// List what was refused, with both values.
    List,
    /// Put a refused change aside: it is kept, and waits for you no longer.
    Drop(ConflictDropArgs),
}

/// Which refused change.
#[derive(Debug, Args)]
pub struct ConflictDropArgs {
    /// Its number in `tare conflict list`.
    #[arg(value_name = "NUMBER")]
    pub op_no: i64,
}

/// Which shell.
#[derive(Debug, Args)]
pub struct CompletionsArgs {
    /// The shell.
    pub shell: clap_complete::Shell,
}

/// Where the manual goes.
#[derive(Debug, Args)]
pub struct ManArgs {
    /// Write a page for each command into this folder.
    #[arg(long, value_name = "FOLDER", value_hint = ValueHint::DirPath)]
    pub to: Option<PathBuf>,
}
