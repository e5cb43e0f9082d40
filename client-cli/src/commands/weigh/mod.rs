//! `tare weigh`: one item after the other as they go on the scale, or one at once. Everything that is confirmed is on
//! disk before the next prompt.

mod check;
mod conditions;
mod keys;
mod listed;
mod one;
mod pick;
mod session;
mod setup;
mod sitting;
mod stream;
mod taken;

use std::path::PathBuf;

use clap::{Args, ValueHint};
use serde_json::{Value, json};

use crate::app::App;
use crate::error::Result;
use crate::render::count;

use conditions::Conditions;
use session::Session;

/// What is weighed, and how.
#[derive(Debug, Clone, Default, Args)]
pub struct WeighArgs {
    /// One item, by a part of its name or its tag; without it, item after item.
    pub item: Option<String>,
    /// What the scale shows, as in 412, 0.412 kg, 14.5 oz or 1 lb 2.3 oz.
    #[arg(requires = "item")]
    pub reading: Vec<String>,
    /// Make the item when there is none of this name.
    #[arg(long, requires = "item")]
    pub new: bool,
    /// What sort of thing a new item is; guessed from its name when left out.
    #[arg(long)]
    pub kind: Option<String>,
    /// Read a recorded scale instead of typed numbers.
    #[arg(long, value_name = "RECORDING", value_hint = ValueHint::FilePath, conflicts_with = "item")]
    pub from: Option<PathBuf>,
    /// What goes on the scale, in order: a file with a name a line, or names apart by commas.
    #[arg(long, value_name = "FILE|NAMES", requires = "from")]
    pub names: Option<String>,
    /// Replay the recording this many times faster than it was; at once when left out.
    #[arg(long, value_name = "TIMES", requires = "from")]
    pub speed: Option<f64>,
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

/// Weighs.
///
/// # Errors
/// When the set-up is not clear, or a reading is refused; what was saved before stays saved.
pub fn cmd_weigh(app: &mut App<'_>, args: &WeighArgs) -> Result<()> {
    let mut store = app.store()?;
    if let Some(item) = &args.item {
        return one::weigh_one(app, &mut store, args, item);
    }
    let room = app.room_or_first(&mut store, args.whose.as_deref())?;
    let scale = setup::scale(app, &store, &room, args)?;
    let mut session = Session::begin(&mut store, room, scale, true)?;
    let outcome = if args.from.is_some() {
        listed::weigh_recording(app, &mut session, args)
    } else {
        sitting::weigh_typed(app, &mut session, args)
    };
    // What was saved is told whatever ended the sitting.
    let told = close(app, &session);
    outcome.and(told)
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
    let words = format!("{saved} saved on this device; {sent}");
    let documents: Vec<Value> = session.standing().map(session::Saved::to_json).collect();
    app.done(&words, || {
        json!({
            "kitroom": session.room.name, "scale": session.scale.name, "checks": session.checks,
            "saved": documents, "pending": pending,
        })
    })
}
