//! The command line.

use std::path::PathBuf;

use clap::{Args, Parser, Subcommand, ValueHint};

use crate::commands::{
    conflict, export, import, item, kit_check, kitroom, link, loadout, log, race, scale, season, sheet,
    stock, sync, trend, weigh,
};

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
    /// The condition history of items: use, washes, tests, repairs, and whether they may be used.
    #[command(subcommand)]
    Log(log::LogCommand),
    /// Stocks of like units: gels, plasters.
    #[command(subcommand)]
    Stock(stock::StockCommand),
    /// What deserves a look, with the reason and the day.
    Attention,
    /// How an item's mass has moved, and how a garment's head will stand on a day.
    #[command(subcommand)]
    Trend(trend::TrendCommand),
    /// Seasons: spans of days that are compared with each other.
    #[command(subcommand)]
    Season(season::SeasonCommand),
    /// Scales.
    #[command(subcommand)]
    Scale(scale::ScaleCommand),
    /// Races: when, where along, and by which rules.
    #[command(subcommand)]
    Race(race::RaceCommand),
    /// Loadouts: what one runner takes to one race.
    #[command(subcommand)]
    Loadout(Box<loadout::LoadoutCommand>),
    /// Go through the rules of the race one by one, in the hall.
    KitCheck(kit_check::KitCheckArgs),
    /// Rule sheets: the mandatory kit of races.
    #[command(subcommand)]
    Sheet(sheet::SheetCommand),
    /// Whose kit it is: one kitroom for each runner, one for each club.
    #[command(subcommand)]
    Kitroom(kitroom::KitroomCommand),
    /// Link this device to a service.
    Link(link::LinkArgs),
    /// Take the link back; what is on this device stays.
    Unlink,
    /// Send what was done here and get what was done elsewhere.
    Sync(sync::SyncArgs),
    /// What is here, what is sent, and what waits for you.
    Status,
    /// Write everything of a kitroom into a file, a record a line.
    Export(export::ExportArgs),
    /// Take the records of an exported file, or a table of items, into a kitroom: all or nothing.
    Import(import::ImportArgs),
    /// What waits for you: contradictions, refused changes, what a service has lost.
    #[command(subcommand)]
    Conflict(conflict::ConflictCommand),
    /// Check the replica, the stored masses, the disk, the clock, the token and the service.
    Doctor,
    /// Print the completions for a shell.
    Completions(CompletionsArgs),
    /// Print the manual page, or write those of all commands into a folder.
    Man(ManArgs),
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
