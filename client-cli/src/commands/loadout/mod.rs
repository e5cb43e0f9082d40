//! `tare loadout`: what one runner takes to one race.

mod after;
mod args;
mod compare;
mod drop;
mod edit;
pub mod figures;
mod html;
mod lightest;
mod list;
mod new;
pub mod packed;
mod pieces;
mod place;
mod print;
mod put;
mod refresh;
mod seal;
mod show;
mod take;
mod used;
mod used_ops;
mod verdicts;

use clap::Subcommand;
use domain::condition::LoadoutStateView;
use domain::kinds::loadout::KIND;
use domain::sync::record::Stored;
use domain::wire::loadout::{LoadoutBody, LoadoutState};
use domain::wire::shape;

use crate::app::App;
use crate::error::{Error, Result};
use crate::local::loadouts::Entry;
use crate::local::{Kitroom, Store, named};
use crate::render::long_day;

pub use after::title as rule_title;
pub use args::*;
pub use verdicts::{summary, used_words, value_words};

/// What to do with loadouts.
#[derive(Debug, Subcommand)]
pub enum LoadoutCommand {
    /// Make a loadout for a race; it becomes the current one.
    New(LoadoutNewArgs),
    /// List the loadouts.
    List,
    /// Work on this loadout from now on.
    Use(LoadoutUseArgs),
    /// Put items in, or somewhere else: put shell, gloves, 10 gel @front-left.
    ///
    /// Items are told apart by commas; a number in front is how many units. After @ comes the place: a pocket, a dry
    /// bag of the loadout, body, hand, stowed or drop-bag. Left out, it is where the item was last time.
    Put(LoadoutPutArgs),
    /// Take items out: drop gloves, 2 gel.
    Drop(LoadoutDropArgs),
    /// Change its name, its race, or how much is eaten and drunk.
    Edit(LoadoutEditArgs),
    /// Look anew at what it holds of other kitrooms.
    Refresh(LoadoutNameArgs),
    /// Take a loadout away that was made by mistake.
    Remove(LoadoutUseArgs),
    /// Show its masses and its lines.
    Show(LoadoutNameArgs),
    /// Show the verdict on each rule of the race.
    Verdicts(LoadoutVerdictsArgs),
    /// Find the lightest set that meets every rule and fits the vest.
    Lightest(LoadoutLightestArgs),
    /// Show what differs between two loadouts.
    Compare(LoadoutCompareArgs),
    /// Fix it on race day, so that it is a fact from then on.
    Seal(LoadoutSealArgs),
    /// Take a seal back that was set too early.
    Unseal(LoadoutUnsealArgs),
    /// After the race: log hours, food, losses and damage of the whole loadout at once.
    Used(LoadoutUsedArgs),
    /// Print a plain sheet for the desk of the kit check.
    Print(LoadoutPrintArgs),
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: LoadoutCommand) -> Result<()> {
    match command {
        LoadoutCommand::New(args) => new::cmd_loadout_new(app, &args),
        LoadoutCommand::List => list::cmd_loadout_list(app),
        LoadoutCommand::Use(args) => edit::cmd_loadout_use(app, &args),
        LoadoutCommand::Put(args) => put::cmd_loadout_put(app, &args),
        LoadoutCommand::Drop(args) => drop::cmd_loadout_drop(app, &args),
        LoadoutCommand::Edit(args) => edit::cmd_loadout_edit(app, &args),
        LoadoutCommand::Refresh(args) => refresh::cmd_loadout_refresh(app, &args),
        LoadoutCommand::Remove(args) => edit::cmd_loadout_remove(app, &args),
        LoadoutCommand::Show(args) => show::cmd_loadout_show(app, &args),
        LoadoutCommand::Verdicts(args) => verdicts::cmd_loadout_verdicts(app, &args),
        LoadoutCommand::Lightest(args) => lightest::cmd_loadout_lightest(app, &args),
        LoadoutCommand::Compare(args) => compare::cmd_loadout_compare(app, &args),
        LoadoutCommand::Seal(args) => seal::cmd_loadout_seal(app, &args),
        LoadoutCommand::Unseal(args) => seal::cmd_loadout_unseal(app, &args),
        LoadoutCommand::Used(args) => used::cmd_loadout_used(app, &args),
        LoadoutCommand::Print(args) => print::cmd_loadout_print(app, &args),
    }
}

/// A loadout that a command is about.
#[derive(Debug, Clone)]
pub struct Open {
    /// Whose kit.
    pub room: Kitroom,
    /// The record.
    pub record: Stored,
    /// What is stored of it.
    pub body: LoadoutBody,
    /// Its live lines.
    pub entries: Vec<Entry>,
    /// Whether it may still change.
    pub state: LoadoutStateView,
}

impl Open {
    /// What it is called.
    #[must_use]
    pub fn name(&self) -> &str {
        self.body.name.as_str()
    }

    /// Refuses to change what is sealed.
    ///
    /// # Errors
    /// When it is sealed.
    pub fn refuse_sealed(&self) -> Result<()> {
        if self.state.state == LoadoutState::Draft {
            return Ok(());
        }
        let on = self.state.sealed_at.map_or(String::new(), |at| format!(" since {}", long_day(at)));
        let name = self.name();
        Err(Error::refused(format!("{name} is sealed{on}; nothing was changed"))
            .because("a sealed loadout is a fact of race day")
            .hint(format!(
                "for another race: tare loadout new RACE --like \"{name}\"\n           \
                 sealed too early: tare loadout unseal \"{name}\" --reason WHY"
            )))
    }
}

/// The loadout of this name, else the current one, else the only one.
///
/// # Errors
/// When there is none, or it is not clear which.
pub fn open(app: &mut App<'_>, store: &Store, name: Option<&str>) -> Result<Open> {
    let room = app.room(store)?;
    let record = match name {
        Some(name) => app.named(store, room.id, &KIND, name)?,
        None => match store.current_loadout(room.id)? {
            Some(current) => current,
            None => app.named_or_only(store, room.id, &KIND, None)?,
        },
    };
    of_record(store, room, record)
}

/// With its lines and its state.
///
/// # Errors
/// When the store cannot be read, or a later version has written it.
pub fn of_record(store: &Store, room: Kitroom, record: Stored) -> Result<Open> {
    let body = shape::read(&record.body).map_err(|_| {
        Error::refused(format!("the loadout {} cannot be read", named::label(&record)))
            .because("a later version of tare has written it")
            .hint("use the newer tare")
    })?;
    let entries = store.loadout_entries(room.id, record.id)?;
    let state = store.loadout_state(room.id, record.id)?;
    Ok(Open { room, record, body, entries, state })
}
