//! `tare log`: the condition history of items. Each entry is a fact; what was logged in error is taken back and stays in
//! history.

mod advice;
mod args;
pub mod history;
mod record;
mod show;
mod state;
pub mod typed;
mod undo;
mod words;

use clap::Subcommand;
use domain::wire::log_entry::LogEvent;

use crate::app::App;
use crate::error::Result;

/// What happened to an item.
#[derive(Debug, Subcommand)]
pub enum LogCommand {
    /// Log that items were used: hours worn, hours carried, wet hours, distance.
    Use(args::UseArgs),
    /// Log a wash.
    Wash(args::WashArgs),
    /// Log a reproofing; it restores the spray grade, not the head.
    Reproof(args::ReproofArgs),
    /// Log a repair.
    Repair(args::PartArgs),
    /// Log that an item was looked over; the grade, last, is from 5 (as new) to 1 (not to be used).
    Inspect(args::GradeArgs),
    /// Log a spray test; the grade, last, is from 5 (no wetting) to 0 (face and back wet), as in ISO 4920.
    Spray(args::GradeArgs),
    /// Log a hydrostatic head test; the head, last, is in mm of water, or has its unit (cm, m, kPa, mbar, bar, psi).
    Head(args::HeadArgs),
    /// Log that a lamp was burnt until it was done; the hours, last, as in 7.5 or 7:30.
    Burn(args::BurnArgs),
    /// Log that a sealed pack was opened: a foil blanket, a first-aid pouch.
    Open(args::PlainArgs),
    /// Log a damage.
    Damage(args::PartArgs),
    /// Keep items out of use until somebody has cleared them.
    Quarantine(args::PlainArgs),
    /// Say that items are serviceable again.
    Clear(args::PlainArgs),
    /// Keep an eye on items: they may be used.
    Watch(args::PlainArgs),
    /// Take items out of use.
    Retire(args::RetireArgs),
    /// Take retired items back into use.
    Reinstate(args::PlainArgs),
    /// Take an entry back, one of the last ones; it stays in history.
    Undo(undo::UndoArgs),
    /// Show the history of an item.
    Show(show::ShowArgs),
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: LogCommand) -> Result<()> {
    match command {
        LogCommand::Use(args) => args.save(app),
        LogCommand::Wash(args) => args.save(app),
        LogCommand::Reproof(args) => args.save(app),
        LogCommand::Repair(args) => args.save(app, LogEvent::Repair),
        LogCommand::Inspect(args) => args.save(app, LogEvent::Inspection),
        LogCommand::Spray(args) => args.save(app, LogEvent::SprayTest),
        LogCommand::Head(args) => args.save(app),
        LogCommand::Burn(args) => args.save(app),
        LogCommand::Open(args) => args.save(app, LogEvent::Opened),
        LogCommand::Damage(args) => args.save(app, LogEvent::Damage),
        LogCommand::Quarantine(args) => args.save(app, LogEvent::Quarantine),
        LogCommand::Clear(args) => args.save(app, LogEvent::Clear),
        LogCommand::Watch(args) => args.save(app, LogEvent::Watch),
        LogCommand::Retire(args) => args.save(app),
        LogCommand::Reinstate(args) => args.save(app, LogEvent::Reinstate),
        LogCommand::Undo(args) => undo::cmd_log_undo(app, &args),
        LogCommand::Show(args) => show::cmd_log_show(app, &args),
    }
}
