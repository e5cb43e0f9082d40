//! `tare weigh`: one item after the other as they go on the scale, or one at once. Everything that is confirmed is on
//! disk before the next prompt.

mod after;
mod check;
mod conditions;
mod csv_import;
mod keys;
mod last;
mod listed;
mod live;
mod one;
mod pick;
mod screen;
mod session;
mod setup;
mod sitting;
mod stream;
mod taken;

use std::path::PathBuf;

use clap::{Args, Subcommand, ValueHint};
use domain::mass_unit::MassUnit;
use domain::stable_reading::StableRule;
use serde_json::{Value, json};

use uuid::Uuid;

use crate::app::App;
use crate::error::{Error, Result};
use crate::render::count;
use crate::scale::line::LineRules;
use crate::scale::recording::Pace;
use crate::scale::source::{OpenScale, ScaleSource};

pub use after::changed;
use conditions::Conditions;
use session::Session;
use stream::{Stream, Watch};

/// What is weighed, and how.
#[derive(Debug, Clone, Default, Args)]
#[command(args_conflicts_with_subcommands = true)]
pub struct WeighArgs {
    /// What to do with a reading that was taken.
    #[command(subcommand)]
    pub command: Option<WeighCommand>,
    /// One item, by a part of its name or its tag; without it, item after item.
    pub item: Option<String>,
    /// What the scale shows, as in 412, 0.412 kg, 14.5 oz or 1 lb 2.3 oz.
    #[arg(requires = "item")]
    pub reading: Vec<String>,
    /// Make the item when there is none of this name.
    #[arg(long)]
    pub new: bool,
    /// What sort of thing a new item is; guessed from its name when left out.
    #[arg(long)]
    pub kind: Option<String>,
    /// The scale that sends its readings: /dev/ttyUSB0, with its settings as in /dev/ttyUSB0@2400-7E1; usb; - for standard
    /// input; a recording, at its own speed or as in kitchen.rec@20; or a plain file of lines.
    #[arg(long, value_name = "SCALE", conflicts_with = "item")]
    pub from: Option<String>,
    /// Take the weighings of a CSV file in: all of them, or none if any row is bad. Each day is a sitting.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath, conflicts_with_all = ["item", "from"], requires = "map")]
    pub csv: Option<PathBuf>,
    /// Which column of the CSV file holds what, as in --map reading=Weight --map item=#2; also unit, tare, units, lifts,
    /// wetness, fill, observed_at and note.
    #[arg(long, value_name = "FIELD=COLUMN", requires = "csv")]
    pub map: Vec<String>,
    /// The unit of what the scale sends, or the CSV file holds, without one.
    #[arg(long, value_name = "UNIT", conflicts_with = "item")]
    pub unit: Option<String>,
    /// The scale sends a line only when its print key is pressed: take each line.
    #[arg(long, requires = "from")]
    pub print_key: bool,
    /// What goes on the scale, in order: a file with a name a line, or names apart by commas. A recording is then read at
    /// once, unless its speed is given.
    #[arg(long, value_name = "FILE|NAMES", requires = "from")]
    pub names: Option<String>,
    /// Only append lines and never redraw, for a screen reader or a terminal without a cursor.
    #[arg(long, conflicts_with = "item")]
    pub lines: bool,
    /// A check weight's known mass, and what the scale shows for it: 200=201; from a recording, 200 alone.
    #[arg(long, value_name = "KNOWN[=SHOWN]", conflicts_with = "item")]
    pub check: Option<String>,
    /// The standard uncertainty of the check weight's mass; that of class M3 (OIML R 111) when left out.
    #[arg(long, value_name = "MASS", requires = "check")]
    pub check_u: Option<String>,
    /// Ask for no check weight.
    #[arg(long, conflicts_with = "check")]
    pub no_check: bool,
    /// The scale, by a part of its name.
    #[arg(long, value_name = "NAME")]
    pub scale: Option<String>,
    /// The step of the scale's display, as in 1 or 0.1, for its first use.
    #[arg(long, value_name = "STEP")]
    pub reads_to: Option<String>,
    /// Whose kit it is, for the first use.
    #[arg(long, value_name = "NAME")]
    pub whose: Option<String>,
    /// How it lies on the scale.
    #[command(flatten)]
    pub conditions: Conditions,
}

/// What to do with a reading that was taken.
#[derive(Debug, Clone, Subcommand)]
pub enum WeighCommand {
    /// Take a reading back, one of the last ones; it stays in history.
    Undo(last::LastArgs),
    /// Say that a reading was of another item: the other glove.
    Correct(last::CorrectArgs),
}

/// Weighs.
///
/// # Errors
/// When the set-up is not clear, or a reading is refused; what was saved before stays saved.
pub fn cmd_weigh(app: &mut App<'_>, args: &WeighArgs) -> Result<()> {
    match &args.command {
        Some(WeighCommand::Undo(last)) => return last::cmd_undo(app, last),
        Some(WeighCommand::Correct(correct)) => return last::cmd_correct(app, correct),
        None => {}
    }
    let source = args.from.as_deref().map(|from| source(from, args)).transpose()?;
    if args.names.is_none() && source == Some(ScaleSource::StandardInput) && !app.ui.ask_at_terminal() {
        return Err(Error::usage("nobody is there to name what is weighed").hint("give --names FILE|NAMES"));
    }
    let mut store = app.store()?;
    if let Some(item) = &args.item {
        return one::weigh_one(app, &mut store, args, item);
    }
    let room = app.room_or_first(&mut store, args.whose.as_deref())?;
    let scale = setup::scale(app, &store, &room, args)?;
    if let Some(file) = &args.csv {
        return csv_import::import(app, &mut store, &room, &scale, args, file);
    }
    let mut session = Session::begin(&mut store, room, scale, true)?;
    let outcome = match &source {
        Some(source) => weigh_sent(app, &mut session, args, source),
        None => sitting::weigh_typed(app, &mut session, args),
    };
    // What was saved is told whatever ended the sitting.
    let told = close(app, &session);
    outcome.and(told)
}

/// The scale that `--from` names.
fn source(from: &str, args: &WeighArgs) -> Result<ScaleSource> {
    let source: ScaleSource =
        from.parse().map_err(|why: String| Error::usage(format!("{from} is no scale")).because(why))?;
    Ok(match source {
        // Nobody need look on while a list is weighed.
        ScaleSource::Recording(path, _) if args.names.is_some() && !from.contains(".rec@") => {
            ScaleSource::Recording(path, Pace::Unpaced)
        }
        other => other,
    })
}

/// The unit of what comes without one.
fn unit(args: &WeighArgs) -> Result<MassUnit> {
    let Some(word) = &args.unit else { return Ok(MassUnit::Gram) };
    MassUnit::from_word(word)
        .ok_or_else(|| Error::usage(format!("{word} is no unit of mass")).hint("as in --unit oz"))
}

/// A scale's id and name, the kitroom, the sitting, and the check readings as documents.
type Checked = ((Uuid, String), Uuid, Uuid, Vec<Value>);

/// Saves check readings in a sitting of their own.
///
/// # Errors
/// When one is no mass, or is refused; those before it are saved.
pub fn save_checks(
    app: &mut App<'_>,
    args: &WeighArgs,
    readings: &[String],
    u: Option<&str>,
) -> Result<Checked> {
    let read = |text: &String| {
        let (known, shown) = text.split_once('=').ok_or_else(|| {
            Error::usage(format!("what the scale shows for {text} is missing")).hint("as in 200=201")
        })?;
        Ok((check::Known::read(known, u)?, taken::Taken::typed(shown)?))
    };
    let readings = readings.iter().map(read).collect::<Result<Vec<_>>>()?;
    let mut store = app.store()?;
    let room = app.room_or_first(&mut store, None)?;
    let scale = setup::scale(app, &store, &room, args)?;
    let mut session = Session::begin(&mut store, room, scale, true)?;
    for (known, taken) in &readings {
        check::record(&mut session, *known, taken)?;
    }
    let sitting = session.sitting().ok_or_else(|| Error::usage("there is no check reading"))?;
    Ok(((session.scale.id, session.scale.name.clone()), session.room.id, sitting, session.checks))
}

/// Weighs what a scale sends.
fn weigh_sent(
    app: &mut App<'_>,
    session: &mut Session<'_>,
    args: &WeighArgs,
    source: &ScaleSource,
) -> Result<()> {
    if args.names.is_none() && !app.ui.can_ask {
        return Err(Error::usage("nobody is there to name what is weighed").hint("give --names FILE|NAMES"));
    }
    let unit = unit(args)?;
    let OpenScale { input, source: kind } =
        source.open(LineRules { unit, no_unit_is_unstable: false }).map_err(|error| {
            Error::refused("the scale cannot be opened").because(error).hint(
                "is it plugged in and switched on, and may you read it? without it: tare weigh, and type",
            )
        })?;
    let resolution = session.scale.resolution;
    let rule = if args.print_key { StableRule::on_print(resolution) } else { StableRule::new(resolution) };
    let watch = Watch::new(rule, kind);
    match &args.names {
        Some(names) => listed::weigh_listed(app, session, args, names, Stream::new(input, watch)),
        None => live::weigh_live(app, session, args, input, watch),
    }
}

/// How it ended: how many are saved, and what is not sent yet.
fn close(app: &mut App<'_>, session: &Session<'_>) -> Result<()> {
    let store = &session.store;
    let pending = store.outbox_counts(session.room.id)?.pending;
    let saved = session.standing().count();
    let sent = match (store.setting("service")?, pending) {
        (None, _) => "nothing sent yet".to_owned(),
        (Some(_), 0) => "nothing to send".to_owned(),
        (Some(_), pending) => format!("{} not sent yet: tare sync", count(pending, "change")),
    };
    if session.sitting().is_some() && !app.ui.json {
        for line in after::summary(session)? {
            app.ui.say(&line);
        }
    }
    let mut words = format!("{saved} saved on this device; {sent}");
    if session.sitting().is_some() {
        let (weighed, all) = store.weighed_since(session.room.id, pick::season_start(store.env().now()))?;
        words.push_str(&format!("\nyou weighed {weighed} of {all} this season (the last 365 days)"));
    }
    let documents: Vec<Value> = session.standing().map(session::Saved::to_json).collect();
    app.done(&words, || {
        json!({
            "kitroom": session.room.name, "scale": session.scale.name, "checks": session.checks,
            "saved": documents, "pending": pending,
        })
    })
}
