//! `tare stock`: how many units of a kind of like units (gels, plasters) are there.

mod amount;
pub mod show;
mod take;

use clap::{Args, Subcommand, ValueEnum};
use domain::wire::stock_entry::StockReason;

use crate::app::App;
use crate::error::Result;

/// What to do with stocks.
#[derive(Debug, Subcommand)]
pub enum StockCommand {
    /// Log what was bought: `tare stock add 12 gel, 6 bar`.
    Add(AddArgs),
    /// Log how many there are: `tare stock count 9 gel`. From then on that is the number.
    Count(CountArgs),
    /// Log what went out of stock: `tare stock take 3 gel`.
    Take(TakeArgs),
    /// Show what is left, or the movements of one item.
    Show(ShowArgs),
    /// Take a movement back, one of the last ones; it stays in history.
    Undo(UndoArgs),
}

/// What was bought.
#[derive(Debug, Clone, Args)]
pub struct AddArgs {
    /// How many of what: 12 gel; several are apart by commas.
    #[arg(required = true, value_name = "NUMBER ITEM")]
    pub words: Vec<String>,
    /// Make the item, a kind of like units, when there is none of this name.
    #[arg(long)]
    pub new: bool,
    /// When it was, if not now: 2026-03-01, '2026-03-01 18:30' in UTC, or with an offset.
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Anything worth knowing.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

/// What is there. The same words as for what was bought.
pub type CountArgs = AddArgs;

/// Why units went out of stock.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Out {
    /// Eaten or drunk.
    Eaten,
    /// Used up otherwise.
    Used,
    /// Thrown away because it had expired.
    Expired,
    /// Lost.
    Lost,
}

impl Out {
    fn reason(self) -> StockReason {
        match self {
            Out::Eaten => StockReason::Eaten,
            Out::Used => StockReason::Used,
            Out::Expired => StockReason::Expired,
            Out::Lost => StockReason::Lost,
        }
    }
}

/// What went out.
#[derive(Debug, Clone, Args)]
pub struct TakeArgs {
    /// How many of what: 3 gel; several are apart by commas.
    #[arg(required = true, value_name = "NUMBER ITEM")]
    pub words: Vec<String>,
    /// What became of it; food and drink is eaten, anything else used, when left out.
    #[arg(long, value_name = "WHAT")]
    pub reason: Option<Out>,
    /// When it was, if not now: 2026-03-01, '2026-03-01 18:30' in UTC, or with an offset.
    #[arg(long, value_name = "TIME")]
    pub at: Option<String>,
    /// Anything worth knowing.
    #[arg(long, value_name = "TEXT")]
    pub note: Option<String>,
}

/// Which stock.
#[derive(Debug, Clone, Args)]
pub struct ShowArgs {
    /// One item, by a part of its name or its tag: every movement.
    pub item: Vec<String>,
}

/// Which movement.
#[derive(Debug, Clone, Args)]
pub struct UndoArgs {
    /// Only movements of this item, by a part of its name or its tag.
    pub item: Vec<String>,
    /// The newest one, without asking.
    #[arg(long)]
    pub last: bool,
    /// Why, for whoever reads the history.
    #[arg(long, value_name = "TEXT", default_value = "taken back")]
    pub reason: String,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: StockCommand) -> Result<()> {
    match command {
        StockCommand::Add(args) => take::move_stock(app, &args, |_| StockReason::Bought),
        StockCommand::Count(args) => take::move_stock(app, &args, |_| StockReason::Counted),
        StockCommand::Take(args) => {
            let TakeArgs { words, reason, at, note } = args;
            let moved = AddArgs { words, new: false, at, note };
            take::move_stock(app, &moved, |kind| match reason {
                Some(out) => out.reason(),
                None if matches!(kind, "food" | "drink_mix") => StockReason::Eaten,
                None => StockReason::Used,
            })
        }
        StockCommand::Show(args) => show::cmd_stock_show(app, &args),
        StockCommand::Undo(args) => show::cmd_stock_undo(app, &args),
    }
}
