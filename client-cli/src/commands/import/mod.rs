//! `tare import`: the records of an export, or a table of items, as new changes through the same door as everything else:
//! all of them or none. What is here already stays as it is, so that taking a file in twice doubles nothing.

mod lines;
mod plan;
mod table;

use std::fs::File;
use std::io::Read;
use std::path::{Path, PathBuf};

use clap::{Args, ValueHint};
use domain::wire::kitroom::Purpose;
use serde_json::json;

use crate::app::App;
use crate::error::{Error, Result, reasons};
use crate::local::{Draft, Kitroom, Store};
use crate::render::count;

/// The largest file that is read, in bytes.
const MAX_FILE: u64 = 256 << 20;
/// How many bad lines are told to a person.
const TOLD: usize = 20;

/// What is taken in.
#[derive(Debug, Args)]
pub struct ImportArgs {
    /// A file of `tare export`; or a CSV table of items, whose header names the fields of `tare item add`: name, kind, size,
    /// tag, label_mass_g, ... and attributes.NAME.
    #[arg(value_hint = ValueHint::FilePath)]
    pub file: PathBuf,
    /// Which column of a table holds what, where its header says something else, as in --map name=Item.
    #[arg(long, value_name = "FIELD=COLUMN")]
    pub map: Vec<String>,
    /// Say what would be taken in, and take nothing in.
    #[arg(long)]
    pub dry_run: bool,
}

/// A line that cannot be taken in.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Bad {
    /// Its number in the file, from 1.
    pub line: u64,
    /// What is wrong with it.
    pub why: String,
}

/// What a file comes to.
#[derive(Debug, Default)]
pub struct Plan {
    /// The changes, in order.
    pub drafts: Vec<Draft>,
    /// The line that each came from.
    pub lines: Vec<u64>,
    /// How many records are made.
    pub made: i64,
    /// How many are here already, just so.
    pub already: i64,
    /// Those that are here with other content, which stays.
    pub differing: Vec<String>,
    /// Deleted records that come back because others refer to them.
    pub revived: i64,
    /// What cannot be taken in.
    pub bad: Vec<Bad>,
}

/// Takes a file in.
///
/// # Errors
/// With every bad line, when there is one; then nothing is stored.
pub fn cmd_import(app: &mut App<'_>, args: &ImportArgs) -> Result<()> {
    let bytes = read(&args.file)?;
    let text =
        String::from_utf8(bytes).map_err(|error| nothing().because(format!("it is no text: {error}")))?;
    let is_table = !text.trim_start_matches('\u{feff}').trim_start().starts_with('{');
    if !is_table && !args.map.is_empty() {
        return Err(Error::usage("--map is for a table; an export says itself what it holds"));
    }
    let mut store = app.store()?;
    let is_new = store.kitrooms()?.is_empty();
    let (room, file) = if is_table {
        (app.room_or_first(&mut store, None)?, None)
    } else {
        let file = lines::read(&text)?;
        (room(app, &mut store, &file)?, Some(file))
    };
    let planned = match file {
        Some(file) => plan::plan(&store, &room, file),
        None => table::plan(&store, &room, &text, &args.map),
    };
    let done = planned.and_then(|plan| take_in(&mut store, &room, plan, args.dry_run));
    if is_new && (done.is_err() || args.dry_run) {
        // Nothing is left behind, not even an empty kitroom.
        store.purge_kitroom(room.id)?;
    }
    tell(app, args, &room, &done?)
}

/// Takes the changes of a plan in, or only tries them.
fn take_in(store: &mut Store, room: &Kitroom, mut plan: Plan, dry_run: bool) -> Result<Plan> {
    if plan.bad.is_empty() {
        let outcome = if dry_run {
            store.refusals(room.id, &plan.drafts)?
        } else {
            store.act_on_each(room.id, &plan.drafts)?
        };
        plan.bad = outcome
            .into_iter()
            .map(|(at, problem)| Bad { line: plan.lines[at], why: reasons(&problem) })
            .collect();
    }
    if plan.bad.is_empty() { Ok(plan) } else { Err(refused(&mut plan.bad)) }
}

/// The kitroom that records go into: the one in use, or on a new device one of the same name.
fn room(app: &mut App<'_>, store: &mut Store, file: &lines::Exported) -> Result<Kitroom> {
    if app.kitroom.is_some() || !store.kitrooms()?.is_empty() {
        return app.room(store);
    }
    crate::app::make_room(store, &file.name, if file.is_club { Purpose::Club } else { Purpose::Personal })
}

fn read(file: &Path) -> Result<Vec<u8>> {
    let cannot =
        |error: std::io::Error| Error::usage(format!("{} cannot be read", file.display())).because(error);
    let mut bytes = Vec::new();
    File::open(file).map_err(cannot)?.take(MAX_FILE + 1).read_to_end(&mut bytes).map_err(cannot)?;
    if bytes.len() as u64 > MAX_FILE {
        return Err(nothing().because(format!("the file is larger than {} MB", MAX_FILE >> 20)));
    }
    Ok(bytes)
}

/// Nothing was taken in.
fn nothing() -> Error {
    Error::refused("nothing was taken in")
}

fn refused(bad: &mut [Bad]) -> Error {
    bad.sort_by_key(|bad| bad.line);
    let mut why =
        if bad.len() == 1 { "1 line is bad".to_owned() } else { format!("{} lines are bad", bad.len()) };
    for one in bad.iter().take(TOLD) {
        why.push_str(&format!("\n    line {}: {}", one.line, crate::render::wrapped(14, &one.why)));
    }
    if bad.len() > TOLD {
        why.push_str(&format!("\n    and {} more", bad.len() - TOLD));
    }
    nothing().because(why).hint("mend these lines and take the file in again; nothing is doubled")
}

fn tell(app: &mut App<'_>, args: &ImportArgs, room: &Kitroom, plan: &Plan) -> Result<()> {
    /// How many records that differ are named.
    const NAMED: usize = 5;
    let verb = if args.dry_run { "would be taken into" } else { "taken into" };
    let mut words = format!("{} {verb} {}", count(plan.made, "record"), room.name);
    if plan.already > 0 {
        words.push_str(&format!("\n{} here already, just so", count(plan.already, "record")));
    }
    if !plan.differing.is_empty() {
        let named: Vec<&str> = plan.differing.iter().take(NAMED).map(String::as_str).collect();
        let more = plan.differing.len().saturating_sub(NAMED);
        let more = if more > 0 { format!("; and {more} more") } else { String::new() };
        words.push_str(&format!(
            "\n{} here with other content, which stays: {}{more}",
            count(plan.differing.len() as i64, "record"),
            named.join("; ")
        ));
    }
    if plan.revived > 0 {
        let revived = count(plan.revived, "deleted record");
        words.push_str(&format!("\n{revived} came back, because others refer to it"));
    }
    let lines: Vec<String> = words.lines().map(|line| crate::render::wrapped(2, line)).collect();
    app.done(&lines.join("\n"), || {
        json!({
            "kitroom": room.name, "dry_run": args.dry_run, "taken_in": plan.made, "already": plan.already,
            "differing": plan.differing, "revived": plan.revived,
        })
    })
}
