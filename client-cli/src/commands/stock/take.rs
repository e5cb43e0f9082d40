//! Movements of stock.

use domain::kinds;
use domain::wire::item::ItemBody;
use domain::wire::shape;
use domain::wire::stock_entry::{MAX_UNITS, StockReason};
use serde_json::{Value, json};
use uuid::Uuid;

use super::{AddArgs, amount};
use crate::app::App;
use crate::commands::item::kind::guess;
use crate::commands::{several, when};
use crate::error::{Error, Result};
use crate::local::{Draft, ItemLine, Store};
use crate::render;

/// A movement before it is saved.
struct Move {
    item: Uuid,
    units: i64,
    reason: StockReason,
    before: Option<i64>,
    /// Makes the item.
    maker: Option<Draft>,
}

/// Saves a movement for each item that was named, all or none.
///
/// # Errors
/// When an item or a number is not clear, or an item is no kind of like units.
pub fn move_stock(app: &mut App<'_>, args: &AddArgs, reason: impl Fn(&str) -> StockReason) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room_or_first(&mut store, None)?;
    store.freshen(room.id)?;
    let observed_at = when::at(args.at.as_deref(), store.env().now())?;
    let mut moves: Vec<Move> = Vec::new();
    for part in several::parts(&store, room.id, &args.words)? {
        let amount = amount::read(&part)?;
        if amount.units > MAX_UNITS {
            return Err(Error::usage(format!("at most {MAX_UNITS} units at a time")));
        }
        let one = if args.new && store.find_items(room.id, &amount.item)?.is_empty() {
            let (id, kind) = (store.new_id(), guess(&amount.item));
            let payload = json!({ "name": amount.item, "kind": kind, "per_unit": true });
            let maker = Some(Draft::make(&kinds::item::KIND, id, &payload)?);
            Move { item: id, units: amount.units, reason: reason(kind.name()), before: None, maker }
        } else {
            let fit = |line: &ItemLine| line.state.state.name() != "retired";
            let line = app.item_where(&store, room.id, &amount.item, fit).map_err(|error| {
                if error.what.starts_with("no item here") {
                    error.hint("to make it, add --new; see: tare item list")
                } else {
                    error
                }
            })?;
            in_units(&store, room.id, &line)?;
            let reason = reason(&line.kind);
            Move { item: line.id, units: amount.units, reason, before: line.stock.stock, maker: None }
        };
        if one.units == 0 && one.reason != StockReason::Counted {
            return Err(Error::usage(format!("0 {} moves nothing", amount.item))
                .hint("when none is left: tare stock count 0 NAME"));
        }
        if moves.iter().any(|known| known.item == one.item) {
            return Err(Error::usage(format!("{} is named twice", amount.item)));
        }
        moves.push(one);
    }
    if moves.is_empty() {
        return Err(Error::usage("nothing was named").hint("how many of what, as in: tare stock add 12 gel"));
    }
    let mut drafts = Vec::new();
    let mut ids = Vec::new();
    for one in &moves {
        drafts.extend(one.maker.clone());
        let sign = if matches!(one.reason, StockReason::Bought | StockReason::Counted) { 1 } else { -1 };
        let mut body = json!({
            "item_id": one.item, "change": sign * one.units, "reason": one.reason.name(), "observed_at": observed_at,
        });
        if let Some(note) = &args.note {
            body["note"] = json!(note);
        }
        let id = store.new_id();
        drafts.push(Draft::make(&kinds::stock_entry::KIND, id, &body)?);
        ids.push(id);
    }
    store.act(room.id, &drafts)?;
    let (mut told, mut documents): (Vec<String>, Vec<Value>) = (Vec::new(), Vec::new());
    for (one, id) in moves.iter().zip(ids) {
        let line = store.item(room.id, one.item)?.ok_or_else(|| Error::internal("the item has gone"))?;
        told.push(render::wrapped(2, &words(one, &line)));
        documents.push(json!({
            "id": id, "item_id": one.item, "item": line.name, "reason": one.reason.name(), "units": one.units,
            "stock_before": one.before, "stock": line.stock.stock, "made": one.maker.is_some(),
        }));
    }
    let count = moves.len() as i64;
    let saved = if count == 1 { "1 entry".to_owned() } else { format!("{count} entries") };
    told.push(format!("{saved} saved on this device"));
    app.done(&told.join("\n"), || json!({ "kitroom": room.name, "entries": documents }))
}

/// Checks that the item is a kind of like units.
fn in_units(store: &Store, room: Uuid, line: &ItemLine) -> Result<()> {
    let record = store.record(room, &kinds::item::KIND, line.id)?;
    let body = record.and_then(|record| shape::read::<ItemBody>(&record.body).ok());
    if body.is_some_and(|body| body.per_unit != Some(true)) {
        return Err(Error::refused("nothing was saved")
            .because(format!("{} is one thing; only a kind of like units has a stock", line.name))
            .hint(format!("if it is many alike: tare item edit {} --per-unit", line.name)));
    }
    Ok(())
}

fn words(one: &Move, line: &ItemLine) -> String {
    let left = line.stock.stock;
    let mut words = match one.reason {
        StockReason::Counted => {
            let than = match (one.before, left) {
                // A later count or movement stands on top of one that is logged late.
                (Some(before), Some(left)) if left == one.units => match left - before {
                    0 => ", as expected".to_owned(),
                    more if more > 0 => format!(", {more} more than expected"),
                    less => format!(", {} fewer than expected", -less),
                },
                _ => String::new(),
            };
            format!("{}: {} counted{than}", line.name, one.units)
        }
        reason => format!("{}: {} {}", line.name, one.units, reason.name()),
    };
    match left {
        None => words.push_str("; how many are left is not known: tare stock count"),
        Some(left) if left < 0 => {
            words.push_str(&format!("; {left} left: more went out than came in, so count what is there"));
        }
        Some(left) => words.push_str(&format!("; {left} left")),
    }
    if one.maker.is_some() {
        words.push_str(&format!("; made as {}", line.kind));
    }
    words
}
