//! `tare season`: spans of days that are compared with each other.

mod add;
mod ledger;
mod list;

use clap::{Args, Subcommand};

use crate::app::App;
use crate::error::Result;

/// What to do with seasons.
#[derive(Debug, Subcommand)]
pub enum SeasonCommand {
    /// Add a season: `tare season add 2026` is that whole year.
    Add(SeasonAddArgs),
    /// List the seasons.
    List,
    /// Say why the sealed loadouts of one season, or one sealed loadout, weigh more or less than another.
    Ledger(ledger::SeasonLedgerArgs),
}

/// A new season.
#[derive(Debug, Args)]
pub struct SeasonAddArgs {
    /// What you call it.
    pub name: String,
    /// Its first day, as in 2026-03-01; the first of January when the name is a year.
    #[arg(long, value_name = "DATE")]
    pub from: Option<String>,
    /// Its last day; the last of December when the name is a year.
    #[arg(long, value_name = "DATE")]
    pub to: Option<String>,
    /// Anything worth knowing.
    #[arg(long, value_name = "TEXT")]
    pub notes: Option<String>,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: SeasonCommand) -> Result<()> {
    match command {
        SeasonCommand::Add(args) => add::cmd_season_add(app, &args),
        SeasonCommand::List => list::cmd_season_list(app),
        SeasonCommand::Ledger(args) => ledger::cmd_season_ledger(app, &args),
    }
}
