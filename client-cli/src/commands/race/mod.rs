//! `tare race`: when, where along, and by which rules.

mod add;
mod ask;
mod copy;
mod edit;
mod file;
mod list;
mod plan;
mod show;
pub mod times;

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueHint};
use domain::sync::record::Stored;
use domain::wire::race::RaceBody;
use domain::wire::shape;

use crate::app::App;
use crate::error::{Error, Result};

/// What to do with races.
#[derive(Debug, Subcommand)]
pub enum RaceCommand {
    /// Add a race from a file of JSON or TOML; without a file it asks.
    ///
    /// A file has name, starts_at (with an offset, or as the clock of time_zone shows it), time_zone, ends_at or
    /// expected_h, days, rule_sheet (a part of its name), active_sets, seen_max_age_d, notes, and legs, each with name,
    /// distance_km, climb_m, descent_m, expected_h, from and to (lat, lon), refill (water, food, drop_bag).
    Add(RaceAddArgs),
    /// List the races.
    List,
    /// Show a race, its legs and its rule sheet; times are those of its own time zone.
    Show(RaceShowArgs),
    /// Change a race: another file, start or rule sheet; switch a set of rules on or off.
    Edit(RaceEditArgs),
    /// Darkness, water, food and grams of the course, leg by leg.
    Plan(RacePlanArgs),
    /// Copy a race, with its rule sheet, from another kitroom of yours, such as the club's.
    Copy(RaceCopyArgs),
}

/// From where.
#[derive(Debug, Args)]
pub struct RaceAddArgs {
    /// The file; left out, it asks.
    #[arg(value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub file: Option<PathBuf>,
}

/// Which race.
#[derive(Debug, Args)]
pub struct RaceShowArgs {
    /// A part of its name.
    pub race: Option<String>,
}

/// What changes.
#[derive(Debug, Args)]
pub struct RaceEditArgs {
    /// A part of its name.
    pub race: String,
    /// A file with the fields that change, as for `tare race add`.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub file: Option<PathBuf>,
    /// A new start, as in "2026-08-28 06:00" by the clock of the race.
    #[arg(long, value_name = "TIME")]
    pub starts_at: Option<String>,
    /// Its rule sheet: a part of the sheet's name and edition.
    #[arg(long, value_name = "SHEET")]
    pub sheet: Option<String>,
    /// The organiser switches a set of rules on, as in --on cold; may be given again.
    #[arg(long, value_name = "SET")]
    pub on: Vec<String>,
    /// The organiser switches a set of rules off again.
    #[arg(long, value_name = "SET")]
    pub off: Vec<String>,
}

/// What to plan.
#[derive(Debug, Args)]
pub struct RacePlanArgs {
    /// A part of the race's name; left out, the race of the loadout.
    pub race: Option<String>,
    /// The loadout, by a part of its name; left out, the current one if it is for this race.
    #[arg(long, value_name = "LOADOUT")]
    pub loadout: Option<String>,
    /// How cold the lamp's cells get, in degrees Celsius; 0 when left out.
    #[arg(long, value_name = "C", allow_hyphen_values = true)]
    pub cold: Option<f64>,
    /// How much more light than the dark hours ask for, in per cent; 20 when left out.
    #[arg(long, value_name = "PER CENT")]
    pub margin: Option<f64>,
}

/// What to copy.
#[derive(Debug, Args)]
pub struct RaceCopyArgs {
    /// A part of its name.
    pub race: String,
    /// The kitroom that has it, by a part of its name.
    #[arg(long, value_name = "KITROOM")]
    pub from: String,
}

/// Runs it.
///
/// # Errors
/// Those of the command.
pub fn run(app: &mut App<'_>, command: RaceCommand) -> Result<()> {
    match command {
        RaceCommand::Add(args) => add::cmd_race_add(app, &args),
        RaceCommand::List => list::cmd_race_list(app),
        RaceCommand::Show(args) => show::cmd_race_show(app, &args),
        RaceCommand::Edit(args) => edit::cmd_race_edit(app, &args),
        RaceCommand::Plan(args) => plan::cmd_race_plan(app, &args),
        RaceCommand::Copy(args) => copy::cmd_race_copy(app, &args),
    }
}

pub(crate) use ask::read_hours;

/// A race's body.
///
/// # Errors
/// When a later version wrote it in a way that this one cannot read.
pub fn body(record: &Stored) -> Result<RaceBody> {
    shape::read(&record.body).map_err(|_| {
        Error::refused(format!("the race {} cannot be read", crate::local::named::label(record)))
            .because("a later version of tare has written it")
            .hint("use the newer tare")
    })
}

/// How long it is expected to take: the sum of its legs when all of them say it, else what the race says.
#[must_use]
pub fn expected_h(race: &RaceBody) -> Option<f64> {
    let legs = race.legs.iter().flatten().map(|leg| leg.expected_h.map(|hours| hours.value()));
    let sum: Option<f64> = legs.sum();
    sum.filter(|sum| *sum > 0.0).or(race.expected_h.map(|hours| hours.value()))
}
