//! `tare scale check`: reads a check weight, and says how the scale does.

use clap::Args;
use domain::metrology::environment::moved_scale_reading_g;
use serde_json::json;

use super::offsets::{history, signed};
use super::typed_mass;
use crate::app::App;
use crate::commands::weigh::{self, WeighArgs};
use crate::error::{Error, Result};
use crate::render;

/// Which weight, on which scale.
#[derive(Debug, Args)]
pub struct ScaleCheckArgs {
    /// The check weight's known mass and what the scale shows for it, as in 200=201; more than one weight tells more.
    #[arg(value_name = "KNOWN=SHOWN", required_unless_present = "adjusted_at")]
    pub readings: Vec<String>,
    /// The standard uncertainty of the check weights' mass; that of class M3 (OIML R 111) when left out.
    #[arg(long, value_name = "MASS")]
    pub check_u: Option<String>,
    /// The scale, by a part of its name.
    #[arg(long, value_name = "NAME")]
    pub scale: Option<String>,
    /// The step of the scale's display, for its first use.
    #[arg(long, value_name = "STEP")]
    pub reads_to: Option<String>,
    /// Say what gravity alone does to a scale adjusted here: latitude in degrees and height in metres.
    #[arg(long, value_name = "LAT,HEIGHT", requires = "here", allow_hyphen_values = true)]
    pub adjusted_at: Option<String>,
    /// And read here.
    #[arg(long, value_name = "LAT,HEIGHT", requires = "adjusted_at", allow_hyphen_values = true)]
    pub here: Option<String>,
}

/// Reads check weights.
///
/// # Errors
/// When one is no mass, or is refused.
pub fn cmd_scale_check(app: &mut App<'_>, args: &ScaleCheckArgs) -> Result<()> {
    if let (Some(from), Some(to)) = (&args.adjusted_at, &args.here) {
        return gravity(app, args, from, to);
    }
    let weigh =
        WeighArgs { scale: args.scale.clone(), reads_to: args.reads_to.clone(), ..WeighArgs::default() };
    let (scale, room, sitting, checks) =
        weigh::save_checks(app, &weigh, &args.readings, args.check_u.as_deref())?;
    let store = app.store()?;
    let Some(history) = history(&store, room, scale.0)? else {
        return Err(Error::internal("the scale that was checked is not there"));
    };
    let sentences = history.sentences(&scale.1, sitting);
    let offset = history.at(sitting).map(|(now, _)| now.offset.clone());
    let words: Vec<String> = sentences.iter().map(|words| render::wrapped(2, words)).collect();
    app.done(
        &words.join("\n"),
        || json!({ "scale": scale.1, "checks": checks, "offset": offset, "says": sentences }),
    )
}

fn gravity(app: &mut App<'_>, args: &ScaleCheckArgs, from: &str, to: &str) -> Result<()> {
    let known = args.readings.first().map_or("500", |text| text.split('=').next().unwrap_or(text));
    let mass = typed_mass("the mass", known)?.value();
    let (from, to) = (place(from)?, place(to)?);
    let shown = moved_scale_reading_g(mass, from, to)
        .map_err(|why| Error::usage("that is no place on earth").because(why))?;
    let words = format!(
        "by gravity alone {} reads {shown:.2} g there ({}); read a check weight after moving",
        render::grams(mass),
        signed(shown - mass, 0.01)
    );
    app.done(&words, || json!({ "mass_g": mass, "reading_g": shown }))
}

fn place(text: &str) -> Result<(f64, f64)> {
    let read = || {
        let (latitude, height) = text.split_once(',')?;
        Some((latitude.trim().parse().ok()?, height.trim().parse().ok()?))
    };
    read().ok_or_else(|| Error::usage(format!("{text} is no place")).hint("latitude,height as in 47.5,600"))
}
