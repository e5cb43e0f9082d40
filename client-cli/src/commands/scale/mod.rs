//! `tare scale`.

mod add;
mod check;
mod list;
pub mod offsets;

use clap::{Args, Subcommand};
use domain::mass_unit::MassUnit;
use domain::units::MassMg;
use domain::weighing_text::parse_mass;

use crate::app::App;
use crate::error::{Error, Result};

/// What to do with scales.
#[derive(Debug, Subcommand)]
pub enum ScaleCommand {
    /// Add a scale.
    Add(ScaleAddArgs),
    /// List the scales, or what one of them was off by, sitting after sitting.
    List(ScaleListArgs),
    /// Read a check weight and say how the scale does: drift, plausibility, gain.
    Check(check::ScaleCheckArgs),
}

/// Which scale.
#[derive(Debug, Args)]
pub struct ScaleListArgs {
    /// One scale, by a part of its name: its offsets over the sittings.
    pub name: Option<String>,
}

/// A new scale.
#[derive(Debug, Args)]
pub struct ScaleAddArgs {
    /// What you call it.
    pub name: String,
    /// The step of its display, as in 1 or 0.1g.
    #[arg(long, value_name = "STEP")]
    pub reads_to: String,
    /// The most that it can weigh, as in 5kg.
    #[arg(long, value_name = "MASS")]
    pub capacity: Option<String>,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: ScaleCommand) -> Result<()> {
    match command {
        ScaleCommand::Add(args) => add::cmd_scale_add(app, &args),
        ScaleCommand::List(args) => list::cmd_scale_list(app, &args),
        ScaleCommand::Check(args) => check::cmd_scale_check(app, &args),
    }
}

/// A mass as it is typed for a scale or a label: grams without a unit.
///
/// # Errors
/// When it is no mass, or below zero.
pub fn typed_mass(what: &str, text: &str) -> Result<MassMg> {
    let wrong = |why: String| Error::usage(format!("{what} {text} is not a mass")).because(why);
    let typed = parse_mass(text, MassUnit::Gram).map_err(|error| wrong(error.to_string()))?;
    MassMg::from_scaled(typed.reading.scaled()).map_err(|error| wrong(error.to_string()))
}
