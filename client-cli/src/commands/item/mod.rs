//! `tare item`.

mod add;
mod edit;
pub mod fields;
pub mod kind;
mod list;
mod pocket;
mod show;

use clap::{Args, Subcommand};

use crate::app::App;
use crate::error::Result;

use fields::ItemFields;

/// What to do with items.
#[derive(Debug, Subcommand)]
pub enum ItemCommand {
    /// Add an item; a kind that is left out is guessed from its name.
    Add(Box<ItemAddArgs>),
    /// List the items with their masses.
    ///
    /// In a pipe each line has, apart by tabs: name, kind, size, tag, mass in g, its standard uncertainty in g, what the
    /// mass rests on (measured, label, none), the number of weighings, when it was last weighed, its state, and how many
    /// units are left. What is unknown is an empty field.
    List(ItemListArgs),
    /// Show all that is known of an item: its state, its stock, its history and every weighing.
    Show(ItemShowArgs),
    /// Change an item.
    Edit(Box<ItemEditArgs>),
    /// The pockets of a vest or a bag: list them, make one, change one.
    Pocket(Box<pocket::ItemPocketArgs>),
}

/// A new item.
#[derive(Debug, Args)]
pub struct ItemAddArgs {
    /// What you call it.
    pub name: String,
    /// What it has.
    #[command(flatten)]
    pub fields: ItemFields,
}

/// Which items to list.
#[derive(Debug, Args)]
pub struct ItemListArgs {
    /// Only this kind.
    #[arg(long)]
    pub kind: Option<String>,
    /// Only those with this in the name or the tag.
    #[arg(long, value_name = "PART")]
    pub find: Option<String>,
    /// Only those that were never weighed.
    #[arg(long)]
    pub unweighed: bool,
    /// Only those in this state: serviceable, on_watch, quarantined or retired.
    #[arg(long)]
    pub state: Option<String>,
    /// Also those that are retired.
    #[arg(long)]
    pub all: bool,
}

/// Which item to show.
#[derive(Debug, Args)]
pub struct ItemShowArgs {
    /// A part of its name or its tag.
    pub item: String,
}

/// A change of an item.
#[derive(Debug, Args)]
pub struct ItemEditArgs {
    /// A part of its name or its tag.
    pub item: String,
    /// A new name.
    #[arg(long)]
    pub name: Option<String>,
    /// What changes.
    #[command(flatten)]
    pub fields: ItemFields,
    /// Take a field away, as in --clear label_mass_g or --clear attributes.denier.
    #[arg(long, value_name = "FIELD")]
    pub clear: Vec<String>,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: ItemCommand) -> Result<()> {
    match command {
        ItemCommand::Add(args) => add::cmd_item_add(app, &args),
        ItemCommand::List(args) => list::cmd_item_list(app, args),
        ItemCommand::Show(args) => show::cmd_item_show(app, &args),
        ItemCommand::Edit(args) => edit::cmd_item_edit(app, &args),
        ItemCommand::Pocket(args) => pocket::cmd_item_pocket(app, &args),
    }
}
