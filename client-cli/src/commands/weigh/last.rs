//! `tare weigh undo` and `tare weigh correct`: a reading that was taken is chosen from the last ones.

use clap::Args;
use domain::kinds;
use domain::wire::shape;
use domain::wire::weighing::WeighingBody;
use serde_json::json;
use uuid::Uuid;

use super::session::replace;
use crate::app::App;
use crate::commands::item::kind::guess;
use crate::error::{Error, Result};
use crate::local::{Draft, ItemLine, Kitroom, Store};
use crate::render;

/// How many of the last readings are offered.
const OFFERED: usize = 10;

/// Which reading.
#[derive(Debug, Clone, Default, Args)]
pub struct LastArgs {
    /// Only readings of this item, by a part of its name or its tag.
    pub item: Option<String>,
    /// The newest one, without asking.
    #[arg(long)]
    pub last: bool,
}

/// Which reading, and which item it was of.
#[derive(Debug, Clone, Args)]
pub struct CorrectArgs {
    /// The item that it was of, by a part of its name or its tag.
    pub to: String,
    /// Only readings given to this item, by a part of its name or its tag.
    #[arg(long, value_name = "ITEM")]
    pub of: Option<String>,
    /// The newest one, without asking.
    #[arg(long)]
    pub last: bool,
    /// Make the item when there is none of this name.
    #[arg(long)]
    pub new: bool,
}

/// A reading that stands.
struct Reading {
    id: Uuid,
    body: WeighingBody,
    item: ItemLine,
}

impl Reading {
    fn describe(&self) -> String {
        let at = self.body.observed_at.to_string();
        let at = at.get(..16).unwrap_or(&at).replace('T', " ");
        format!("{at}  {}  {}", self.body.reading_g, self.item.name)
    }
}

/// Takes a reading back.
///
/// # Errors
/// When it is not clear which, or that is refused.
pub fn cmd_undo(app: &mut App<'_>, args: &LastArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let reading =
        choose(app, &store, &room, args.item.as_deref(), args.last, "which reading is taken back?")?;
    store.act(room.id, &[Draft::void(&kinds::weighing::KIND, reading.id, "taken back")])?;
    let mass = store.item(room.id, reading.item.id)?.and_then(|line| line.mass);
    let (words, _) = render::mass(mass.as_ref());
    let words = format!("taken back: {}; it is {words} now", reading.describe());
    app.done(&words, || json!({ "undone": reading.id, "item": reading.item.name, "mass": mass }))
}

/// Gives a reading to another item.
///
/// # Errors
/// When it is not clear which, or that is refused.
pub fn cmd_correct(app: &mut App<'_>, args: &CorrectArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let question = format!("which reading was of {}?", args.to);
    let reading = choose(app, &store, &room, args.of.as_deref(), args.last, &question)?;
    let (item, maker) = if args.new && store.find_items(room.id, &args.to)?.is_empty() {
        let id = store.new_id();
        let payload = json!({ "name": args.to, "kind": guess(&args.to) });
        (id, Some(Draft::make(&kinds::item::KIND, id, &payload)?))
    } else {
        (app.item(&store, room.id, &args.to)?.id, None)
    };
    if item == reading.item.id {
        return Err(Error::refused("nothing was changed").because("the reading is of that item already"));
    }
    let weighing = replace(&mut store, room.id, reading.id, item, maker)?;
    let of = |store: &Store, id| store.item(room.id, id);
    let (old, new) = (of(&store, reading.item.id)?, of(&store, item)?);
    let shown = |line: &Option<ItemLine>| {
        line.as_ref().map_or_else(String::new, |line| {
            format!("{} is {}", line.name, render::mass(line.mass.as_ref()).0)
        })
    };
    let words = format!("corrected: {}; {}, {}", reading.body.reading_g, shown(&new), shown(&old));
    app.done(&words, || json!({ "weighing": weighing, "supersedes": reading.id, "item_id": item }))
}

fn choose(
    app: &mut App<'_>,
    store: &Store,
    room: &Kitroom,
    item: Option<&str>,
    last: bool,
    question: &str,
) -> Result<Reading> {
    let only = item.map(|text| app.item(store, room.id, text)).transpose()?;
    let mut readings = last_readings(store, room, only.as_ref().map(|line| line.id))?;
    if readings.is_empty() {
        return Err(Error::refused("there is no reading to choose"));
    }
    if last || (readings.len() == 1 && only.is_some()) {
        return Ok(readings.remove(0));
    }
    let lines: Vec<String> = readings.iter().map(Reading::describe).collect();
    let at = app.choose(question, &lines, "--last for the newest")?;
    Ok(readings.swap_remove(at))
}

/// The newest readings that stand, the newest first.
fn last_readings(store: &Store, room: &Kitroom, item: Option<Uuid>) -> Result<Vec<Reading>> {
    let mut records = match item {
        Some(id) => {
            store.referring(room.id, &kinds::weighing::KIND, "item_id", (kinds::item::KIND.name, id))?
        }
        None => store.records(room.id, &kinds::weighing::KIND)?,
    };
    let replaced = store.replaced(room.id, &kinds::weighing::KIND, &records)?;
    records.retain(|record| record.is_live() && !replaced.contains(&record.id));
    let mut readings: Vec<(Uuid, WeighingBody)> = records
        .iter()
        .filter_map(|record| Some((record.id, shape::read::<WeighingBody>(&record.body).ok()?)))
        .collect();
    readings.sort_by_key(|(id, body)| std::cmp::Reverse((body.observed_at, *id)));
    let mut found = Vec::new();
    for (id, body) in readings {
        if found.len() == OFFERED {
            break;
        }
        if let Some(item) = store.item(room.id, body.item_id.into())? {
            found.push(Reading { id, body, item });
        }
    }
    Ok(found)
}
