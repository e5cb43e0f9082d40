//! `tare season ledger`: why one season's sets, or one sealed loadout, weigh more or less than another.

use std::fs;
use std::path::PathBuf;

use clap::{Args, ValueHint};
use domain::kinds::{loadout, race, seal, season};
use domain::ledger::{SealedSet, Side, ledger};
use domain::picture::{TERMINAL_WIDTH, ledger_svg, ledger_text};
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::time_zone;
use domain::wire::ledger::{LedgerScope, LedgerSideKind, LedgerView};
use domain::wire::race::RaceBody;
use domain::wire::seal::{SealBody, Snapshot};
use domain::wire::season::SeasonBody;
use domain::wire::shape;
use serde_json::json;
use uuid::Uuid;

use crate::app::App;
use crate::error::{Error, Result};
use crate::local::{Kitroom, Store, named};
use crate::render::wrapped;

/// Between what.
#[derive(Debug, Args)]
pub struct SeasonLedgerArgs {
    /// Before: a part of the name of a season or of a sealed loadout. With neither, the last two seasons with sealed
    /// loadouts, else the last two sealed loadouts.
    #[arg(requires = "to")]
    pub from: Option<String>,
    /// After, likewise.
    pub to: Option<String>,
    /// Weigh what is on the body as well.
    #[arg(long)]
    pub total: bool,
    /// Write the picture into a file.
    #[arg(long, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub svg: Option<PathBuf>,
}

/// A sealed loadout of this device.
#[derive(Debug, Clone)]
struct Sealed {
    loadout_id: Uuid,
    name: String,
    sealed_at: Timestamp,
    /// The day of its race, else of its seal.
    on: chrono::NaiveDate,
    snapshot: Snapshot,
}

/// One side, with all that it rests on.
#[derive(Debug, Clone)]
struct Held {
    kind: LedgerSideKind,
    id: Uuid,
    name: String,
    sets: Vec<Sealed>,
}

impl Held {
    fn side(&self) -> Side<'_> {
        let sets = self.sets.iter().map(|sealed| SealedSet {
            loadout_id: sealed.loadout_id,
            name: &sealed.name,
            sealed_at: sealed.sealed_at,
            snapshot: &sealed.snapshot,
        });
        Side { kind: self.kind, id: self.id, name: &self.name, sets: sets.collect() }
    }
}

/// Shows it: in words, as a waterfall, line by line.
///
/// # Errors
/// When a side is not clear or holds nothing sealed, or the file cannot be written.
pub fn cmd_season_ledger(app: &mut App<'_>, args: &SeasonLedgerArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let sealed = sealed(&store, &room)?;
    let seasons = seasons(&store, &room, &sealed)?;
    let (from, to) = match (&args.from, &args.to) {
        (Some(from), Some(to)) => (side(app, &sealed, &seasons, from)?, side(app, &sealed, &seasons, to)?),
        _ => last_two(&sealed, &seasons)?,
    };
    if from.id == to.id {
        return Err(Error::usage(format!("{} cannot be compared with itself", from.name)).hint("name two"));
    }
    let scope = if args.total { LedgerScope::Total } else { LedgerScope::Carried };
    let view = ledger(&from.side(), &to.side(), scope).map_err(|why| {
        Error::refused("there is no ledger between the two")
            .because(why)
            .hint("only sealed loadouts count: tare loadout seal, on race day")
    })?;
    if let Some(file) = &args.svg {
        fs::write(file, ledger_svg(&view)).map_err(|error| {
            Error::refused(format!("{} cannot be written", file.display()))
                .because(error)
                .hint("name another file")
        })?;
        app.ui.say(&format!("written to {}", file.display()));
    }
    if app.ui.json {
        return app.ui.json(&json!(view));
    }
    app.ui.data(&text(&view))
}

fn sealed(store: &Store, room: &Kitroom) -> Result<Vec<Sealed>> {
    let mut all = Vec::new();
    for record in store.live(room.id, &loadout::KIND)? {
        let state = store.loadout_state(room.id, record.id)?;
        let Some(seal_id) = state.seal_id else { continue };
        let Some(seal) = store.record(room.id, &seal::KIND, seal_id)? else { continue };
        let Ok(seal) = shape::read::<SealBody>(&seal.body) else { continue };
        let race = match domain::kinds::reference_id(&record.body, "race_id") {
            Some(id) => store.record(room.id, &race::KIND, id)?,
            None => None,
        };
        let race = race.and_then(|race| shape::read::<RaceBody>(&race.body).ok());
        let zone = race.as_ref().and_then(|race| race.time_zone.as_ref()).map(|zone| zone.as_str());
        let at = race.as_ref().and_then(|race| race.starts_at).unwrap_or(seal.sealed_at());
        all.push(Sealed {
            loadout_id: record.id,
            name: named::label(&record),
            sealed_at: seal.sealed_at(),
            on: time_zone::day(at, zone),
            snapshot: seal.snapshot,
        });
    }
    all.sort_by_key(|sealed| (sealed.on, sealed.sealed_at, sealed.loadout_id));
    Ok(all)
}

/// The seasons with what was sealed in them, the latest last.
fn seasons(store: &Store, room: &Kitroom, sealed: &[Sealed]) -> Result<Vec<Held>> {
    let mut seasons: Vec<(Stored, SeasonBody)> = store
        .live(room.id, &season::KIND)?
        .into_iter()
        .filter_map(|record| shape::read(&record.body).ok().map(|body| (record, body)))
        .collect();
    seasons.sort_by_key(|(record, season)| (season.from_on, season.to_on, record.id));
    let held = |(record, season): (Stored, SeasonBody)| Held {
        kind: LedgerSideKind::Season,
        id: record.id,
        name: season.name.as_str().to_owned(),
        sets: sealed
            .iter()
            .filter(|one| (season.from_on..=season.to_on).contains(&one.on))
            .cloned()
            .collect(),
    };
    Ok(seasons.into_iter().map(held).collect())
}

fn of_loadout(sealed: &Sealed) -> Held {
    Held {
        kind: LedgerSideKind::Loadout,
        id: sealed.loadout_id,
        name: sealed.name.clone(),
        sets: vec![sealed.clone()],
    }
}

/// A season or a sealed loadout by a part of its name.
fn side(app: &mut App<'_>, sealed: &[Sealed], seasons: &[Held], text: &str) -> Result<Held> {
    let all: Vec<Held> = seasons.iter().cloned().chain(sealed.iter().rev().map(of_loadout)).collect();
    let wanted = crate::local::items::fold(text);
    let name = |held: &Held| crate::local::items::fold(&held.name);
    let mut found: Vec<&Held> = all.iter().filter(|held| name(held) == wanted).collect();
    if found.is_empty() {
        found = all.iter().filter(|held| name(held).contains(&wanted)).collect();
    }
    match found.as_slice() {
        [] => Err(Error::refused(format!("no season and no sealed loadout has {text} in its name"))
            .hint("see: tare season list, tare loadout list; only sealed loadouts count")),
        [one] => Ok((*one).clone()),
        several => {
            let words: Vec<String> = several
                .iter()
                .map(|held| match held.kind {
                    LedgerSideKind::Season => format!("the season {}", held.name),
                    LedgerSideKind::Loadout => format!("the loadout {}", held.name),
                })
                .collect();
            let at = app.choose(&format!("several match {text}:"), &words, "more of the name")?;
            Ok(several[at].clone())
        }
    }
}

fn last_two(sealed: &[Sealed], seasons: &[Held]) -> Result<(Held, Held)> {
    let full: Vec<&Held> = seasons.iter().filter(|season| !season.sets.is_empty()).collect();
    if let [.., before, after] = full.as_slice() {
        return Ok(((*before).clone(), (*after).clone()));
    }
    if let [.., before, after] = sealed {
        return Ok((of_loadout(before), of_loadout(after)));
    }
    let there = crate::render::count(sealed.len() as i64, "sealed loadout");
    Err(Error::refused("a ledger stands between two sealed loadouts, or two seasons with some")
        .because(format!("this device has {there}"))
        .hint("seal a loadout on race day: tare loadout seal; seasons: tare season add 2026"))
}

/// The ledger in words and as a waterfall, what else is known of the seasons, and what is assumed.
fn text(view: &LedgerView) -> String {
    let mut text = ledger_text(view, TERMINAL_WIDTH, false).join("\n");
    text.push('\n');
    let mut say = |words: &str| text.push_str(&format!("\n{}", wrapped(0, words)));
    for line in &view.unknown {
        let why = line.note.as_deref().unwrap_or("a mass is not known");
        say(&format!("! {}: in no sum; {why}", line.name));
    }
    if let Some(statistics) = &view.statistics {
        match (&statistics.totals, &statistics.why_no_totals) {
            (Some(test), _) => say(&format!(
                "Race by race: {:+.0} g, {:.0} % interval {:+.0} to {:+.0} g, p = {:.3} (Welch's t test).",
                test.difference_g,
                test.level * 100.0,
                test.low_g,
                test.high_g,
                test.p
            )),
            (None, Some(why)) => say(&format!("Race by race: no test, since {why}.")),
            (None, None) => {}
        }
        match (&statistics.same_things, &statistics.why_no_same_things) {
            (Some(test), _) => say(&format!(
                "The {} things in both: {:+.1} g each, {:.0} % interval {:+.1} to {:+.1} g, p = {:.3} (paired t test).",
                test.n,
                test.difference_g,
                test.level * 100.0,
                test.low_g,
                test.high_g,
                test.p
            )),
            (None, Some(why)) => say(&format!("The same things: no test, since {why}.")),
            (None, None) => {}
        }
    }
    for assumption in &view.assumptions {
        say(assumption);
    }
    text.push('\n');
    text
}
