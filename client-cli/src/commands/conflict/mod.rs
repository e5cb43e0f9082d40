//! `tare conflict`: what waits for a person, and deciding it. There are always two sides: `a` is what stands on the
//! service, `b` is the other one.

mod list;
mod settle;
mod show;
mod subject;
mod things;

use clap::{Args, Subcommand, ValueEnum};

use crate::app::App;
use crate::error::{Kind, Result};

/// What to do about conflicts.
#[derive(Debug, Subcommand)]
pub enum ConflictCommand {
    /// List what waits for you: both sides of each.
    List,
    /// Show one with everything that is known about it.
    Show(ConflictShowArgs),
    /// Decide: one by its number and side, or one after the other.
    Settle(ConflictSettleArgs),
}

/// Which one.
#[derive(Debug, Args)]
pub struct ConflictShowArgs {
    /// Its number in `tare conflict list`.
    #[arg(value_name = "NUMBER")]
    pub no: i64,
}

/// Which one, and which side holds.
#[derive(Debug, Args)]
pub struct ConflictSettleArgs {
    /// Its number in `tare conflict list`; one after the other is asked about when absent.
    #[arg(value_name = "NUMBER")]
    pub no: Option<i64>,
    /// The side that holds: a is what stands on the service, b is the other.
    #[arg(value_enum, requires = "no", conflicts_with = "value")]
    pub side: Option<Side>,
    /// Neither side, but this, as in `--value size=XL`; nothing behind the sign takes a field away.
    #[arg(long, value_name = "FIELD=VALUE", requires = "no")]
    pub value: Vec<String>,
    /// The same side for everything that a restored service may have lost.
    #[arg(long, value_name = "SIDE", value_enum, conflicts_with_all = ["no", "value"])]
    pub all_lost: Option<Side>,
}

/// A side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Side {
    /// What stands on the service.
    A,
    /// The other.
    B,
    /// Both stay, where two readings replace the same one.
    Both,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: ConflictCommand) -> Result<Option<Kind>> {
    match command {
        ConflictCommand::List => list::cmd_conflict_list(app),
        ConflictCommand::Show(args) => show::cmd_conflict_show(app, &args).map(|()| None),
        ConflictCommand::Settle(args) => settle::cmd_conflict_settle(app, &args),
    }
}
