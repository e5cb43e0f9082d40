//! `tare stock show` and `tare stock undo`.

use std::collections::HashSet;

use domain::kinds;
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::item::ItemBody;
use domain::wire::shape;
use domain::wire::stock_entry::{StockEntryBody, StockReason};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{ShowArgs, UndoArgs};
use crate::app::App;
use crate::commands::take_back::{Asked, Fact, TakenBack, take_back};
use crate::error::Result;
use crate::local::{ItemLine, Store};
use crate::render;

/// Shows every stock, or the movements of one.
///
/// # Errors
/// When no item or more than one matches.
pub fn cmd_stock_show(app: &mut App<'_>, args: &ShowArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    if args.item.is_empty() {
        return all(app, &store, room.id);
    }
    let line = app.item(&store, room.id, &args.item.join(" "))?;
    let movements = movements(&store, room.id, of_item(&store, room.id, line.id)?)?;
    if !app.ui.json {
        app.ui.say(&format!("{}: {}", line.name, left(&line)));
    }
    app.rows(&HEADER, &rows(&movements), || {
        let documents: Vec<Value> =
            movements.iter().map(|movement| Value::Object(movement.record.to_wire())).collect();
        json!({
            "item_id": line.id, "item": line.name, "stock": line.stock.stock,
            "stock_counted_at": line.stock.stock_counted_at, "stock_entries": documents,
        })
    })
}

fn all(app: &mut App<'_>, store: &Store, room: Uuid) -> Result<()> {
    let (mut rows, mut documents) = (Vec::new(), Vec::new());
    for record in store.records(room, &kinds::item::KIND)?.iter().filter(|record| record.is_live()) {
        let in_units = shape::read::<ItemBody>(&record.body).is_ok_and(|body| body.per_unit == Some(true));
        let Some(line) = store.item(room, record.id)?.filter(|_| in_units) else { continue };
        let counted = line.stock.stock_counted_at;
        rows.push(vec![
            line.name.clone(),
            line.kind.clone(),
            left(&line),
            counted.map(|at| render::day(&at.to_string()).to_owned()).unwrap_or_default(),
        ]);
        documents.push(json!({
            "item_id": line.id, "item": line.name, "kind": line.kind, "stock": line.stock.stock,
            "stock_counted_at": counted,
        }));
    }
    rows.sort();
    documents.sort_by_key(|one: &Value| one["item"].as_str().map(str::to_owned));
    if rows.is_empty() && !app.ui.json {
        app.ui.say("no item here is a kind of like units yet; as in: tare stock add 12 gel --new");
        return Ok(());
    }
    app.rows(&["name", "kind", "left", "counted on"], &rows, || json!({ "stocks": documents }))
}

/// How many are left, in words.
#[must_use]
pub fn left(line: &ItemLine) -> String {
    match line.stock.stock {
        Some(left) => format!("{left} left"),
        None => "never counted".to_owned(),
    }
}

/// How many are left, and when that was last counted.
#[must_use]
pub fn words(line: &ItemLine) -> String {
    match line.stock.stock_counted_at {
        Some(at) => format!("{}, counted on {}", left(line), render::long_day(at)),
        None => left(line),
    }
}

/// A movement as it is shown.
pub struct Moved {
    /// The record.
    pub record: Stored,
    /// What it says.
    pub body: StockEntryBody,
    replaced: bool,
}

impl Fact for Moved {
    fn record(&self) -> Uuid {
        self.record.id
    }

    fn item(&self) -> Uuid {
        self.body.item_id.uuid()
    }

    fn observed_at(&self) -> Timestamp {
        self.body.observed_at
    }

    fn describe(&self) -> String {
        let units = self.body.change.abs();
        let note = self.body.note.as_ref().map(|note| format!(" ({})", render::cell(note.as_str())));
        let sign = match self.body.reason {
            StockReason::Bought => "+",
            StockReason::Counted => "=",
            _ => "-",
        };
        format!("{sign}{units} {}{}", self.body.reason.name(), note.unwrap_or_default())
    }
}

/// The stock entries of an item.
///
/// # Errors
/// When the store cannot be read.
pub fn of_item(store: &Store, room: Uuid, item: Uuid) -> Result<Vec<Stored>> {
    store.referring(room, &kinds::stock_entry::KIND, "item_id", (kinds::item::KIND.name, item))
}

/// These records as movements, the newest first.
///
/// # Errors
/// When the store cannot be read.
pub fn movements(store: &Store, room: Uuid, records: Vec<Stored>) -> Result<Vec<Moved>> {
    let replaced: HashSet<Uuid> = store.replaced(room, &kinds::stock_entry::KIND, &records)?;
    let mut movements: Vec<Moved> = records
        .into_iter()
        .filter_map(|record| {
            let body = shape::read::<StockEntryBody>(&record.body).ok()?;
            Some(Moved { replaced: replaced.contains(&record.id), record, body })
        })
        .collect();
    movements.sort_by_key(|movement| std::cmp::Reverse((movement.body.observed_at, movement.record.id)));
    Ok(movements)
}

/// The head of [`rows`].
pub const HEADER: [&str; 3] = ["on", "movement", "counts"];

/// Movements as rows.
#[must_use]
pub fn rows(movements: &[Moved]) -> Vec<Vec<String>> {
    let counts = |movement: &Moved| match &movement.record.voided {
        Some(voided) => format!("no: {}", voided.reason),
        None if movement.record.time_suspect => "no: its time lies ahead".to_owned(),
        None if movement.replaced => "no: replaced".to_owned(),
        None => "yes".to_owned(),
    };
    let row = |one: &Moved| vec![render::minute(one.body.observed_at), one.describe(), counts(one)];
    movements.iter().map(row).collect()
}

/// Takes a movement back.
///
/// # Errors
/// When it is not clear which, or that is refused.
pub fn cmd_stock_undo(app: &mut App<'_>, args: &UndoArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let only = match args.item.as_slice() {
        [] => None,
        words => Some(app.item(&store, room.id, &words.join(" "))?),
    };
    let records = match &only {
        Some(line) => of_item(&store, room.id, line.id)?,
        None => store.records(room.id, &kinds::stock_entry::KIND)?,
    };
    let mut found = movements(&store, room.id, records)?;
    found.retain(|one| one.record.is_live() && !one.replaced);
    let asked = Asked {
        kind: &kinds::stock_entry::KIND,
        noun: "movement",
        last: args.last,
        of_one_item: only.is_some(),
        reason: &args.reason,
    };
    let TakenBack { record, line, words } = take_back(app, &mut store, room.id, found, &asked)?;
    let words = format!("taken back: {words}; {}", left(&line));
    app.done(
        &render::wrapped(2, &words),
        || json!({ "undone": record, "item": line.name, "stock": line.stock.stock }),
    )
}
