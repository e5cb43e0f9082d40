//! `tare sheet`: the mandatory kit of races, as data.

mod copy;
mod diff;
mod import;
mod list;
mod registry;
mod show;

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueHint};
use domain::sync::record::Stored;
use domain::wire::rule_sheet::RuleSheetBody;
use domain::wire::shape;

use crate::app::App;
use crate::document::{Document, Format};
use crate::error::{Error, Result};
use domain::rules::{Problem, RuleSheet, parse_json, parse_toml};

/// What to do with rule sheets.
#[derive(Debug, Subcommand)]
pub enum SheetCommand {
    /// Take a rule sheet in from a file of JSON or TOML; one of the same name and edition is brought up to date.
    Import(SheetImportArgs),
    /// List the rule sheets.
    List,
    /// Show what a rule sheet asks for, in words.
    Show(SheetShowArgs),
    /// Say what changed from one edition to another.
    Diff(SheetDiffArgs),
    /// Copy a rule sheet from another kitroom of yours, such as the club's.
    Copy(SheetCopyArgs),
    /// Print the JSON Schema of a rule sheet, for an editor.
    Schema,
    /// List what a rule may test: names, units and what they mean.
    Attributes,
}

/// Which file.
#[derive(Debug, Args)]
pub struct SheetImportArgs {
    /// The file.
    #[arg(value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub file: PathBuf,
}

/// Which sheet.
#[derive(Debug, Args)]
pub struct SheetShowArgs {
    /// A part of its name and edition.
    pub sheet: Option<String>,
}

/// Which two.
#[derive(Debug, Args)]
pub struct SheetDiffArgs {
    /// The older: a part of its name and edition, or a file.
    pub old: String,
    /// The newer, likewise.
    pub new: String,
}

/// What to copy.
#[derive(Debug, Args)]
pub struct SheetCopyArgs {
    /// A part of its name and edition.
    pub sheet: String,
    /// The kitroom that has it, by a part of its name.
    #[arg(long, value_name = "KITROOM")]
    pub from: String,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: SheetCommand) -> Result<()> {
    match command {
        SheetCommand::Import(args) => import::cmd_sheet_import(app, &args),
        SheetCommand::List => list::cmd_sheet_list(app),
        SheetCommand::Show(args) => show::cmd_sheet_show(app, &args),
        SheetCommand::Diff(args) => diff::cmd_sheet_diff(app, &args),
        SheetCommand::Copy(args) => copy::cmd_sheet_copy(app, &args),
        SheetCommand::Schema => registry::cmd_sheet_schema(app),
        SheetCommand::Attributes => registry::cmd_sheet_attributes(app),
    }
}

pub use copy::{copied, copy_draft};

/// A sheet's body.
///
/// # Errors
/// When a later version wrote it in a way that this one cannot read.
pub fn body(record: &Stored) -> Result<RuleSheetBody> {
    shape::read(&record.body).map_err(|_| {
        Error::refused(format!("the rule sheet {} cannot be read", crate::local::named::label(record)))
            .because("a later version of tare has written it")
            .hint("use the newer tare")
    })
}

/// A sheet from a file.
///
/// # Errors
/// With every place that is wrong.
fn parsed(document: &Document) -> Result<RuleSheet> {
    let parsed = match document.format {
        Format::Json => parse_json(&document.text),
        Format::Toml => parse_toml(&document.text),
    };
    parsed.map_err(|problems| refused(&document.name, &problems))
}

fn refused(name: &str, problems: &[Problem]) -> Error {
    let lines: Vec<String> = problems.iter().map(ToString::to_string).collect();
    let what = crate::render::count(lines.len() as i64, "thing");
    Error::refused(format!("{name} was not taken in: {what} to mend"))
        .because(lines.join("\n           "))
        .hint("mend them and try again; nothing was changed. What may be in it: tare sheet schema, tare sheet attributes")
}
