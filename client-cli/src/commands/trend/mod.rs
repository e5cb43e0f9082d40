//! `tare trend`: how the mass of an item has moved, and how its head will stand on a day.

mod head;
mod mass;

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueHint};

use crate::app::App;
use crate::error::{Error, Result};
use crate::render;

/// Which trend.
#[derive(Debug, Subcommand)]
pub enum TrendCommand {
    /// Show how an item's mass has moved, told apart from the drift of the scale.
    Mass(TrendMassArgs),
    /// Forecast a garment's hydrostatic head for a day, from its head tests, hours worn and washes.
    Head(TrendHeadArgs),
}

/// Of which item.
#[derive(Debug, Args)]
pub struct TrendMassArgs {
    /// A part of its name or its tag.
    #[arg(required = true)]
    pub item: Vec<String>,
    /// Write the picture into this file.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub svg: Option<PathBuf>,
}

/// Of which item, for which day, against which limit.
#[derive(Debug, Args)]
pub struct TrendHeadArgs {
    /// A part of its name or its tag.
    #[arg(required = true)]
    pub item: Vec<String>,
    /// The day; today when left out.
    #[arg(long, value_name = "DATE")]
    pub on: Option<String>,
    /// The head that is asked for, in mm of water. Many race rules ask for 10000 (common practice); your race's own rules
    /// decide.
    #[arg(long, value_name = "MM", default_value_t = 10_000)]
    pub limit: u32,
    /// Write the picture into this file.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub svg: Option<PathBuf>,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: TrendCommand) -> Result<()> {
    match command {
        TrendCommand::Mass(args) => mass::cmd_trend_mass(app, &args),
        TrendCommand::Head(args) => head::cmd_trend_head(app, &args),
    }
}

/// Sentences, each with a mark, within 80 columns.
fn sentences(lines: &[String]) -> String {
    lines.iter().map(|words| format!("* {}\n", render::wrapped(2, words))).collect()
}

/// Writes a picture; one that is there is replaced, as it can be drawn again.
fn picture(app: &mut App<'_>, file: &Path, svg: &str) -> Result<()> {
    std::fs::write(file, svg)
        .map_err(|error| Error::refused(format!("{} cannot be written", file.display())).because(error))?;
    app.ui.say(&format!("drawn into {}", file.display()));
    Ok(())
}
