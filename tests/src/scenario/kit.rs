//! Items, their weighings, their history and their stock.

use std::collections::BTreeMap;

use serde_json::{Value, json};
use uuid::Uuid;

use super::book::{Book, PlanError, Result};
use super::plan::{Item, Kitroom};

/// By the plan's key: the record.
pub type Keys = BTreeMap<String, Uuid>;

/// The check weights, class M1 of OIML R 111: name, mass, standard uncertainty (the permissible error over root 3).
const WEIGHTS: [(&str, f64, f64); 2] = [("200 g, class M1", 200.0, 0.006), ("500 g, class M1", 500.0, 0.014)];

fn object(value: &Value, more: Value) -> Value {
    let mut object = value.as_object().cloned().unwrap_or_default();
    object.remove("day");
    if let Value::Object(more) = more {
        object.extend(more);
    }
    Value::Object(object)
}

fn day_of(fact: &Value) -> Result<i64> {
    fact.get("day").and_then(Value::as_i64).ok_or_else(|| PlanError(format!("{fact} has no day")))
}

/// Adds the kit itself.
///
/// # Errors
/// As a record is refused.
pub fn items(book: &mut Book, room: &Kitroom) -> Result<Keys> {
    let mut keys = Keys::new();
    for item in &room.item {
        let mut body = json!(item.body);
        body["acquired_on"] = json!(book.day(item.since));
        if let Some(days) = item.expires_in_d {
            body["expires_on"] = json!(book.day(days));
        }
        let at = book.at(item.since, "18:00")?;
        keys.insert(item.key.clone(), book.add("item", at, body)?);
    }
    Ok(keys)
}

fn true_grams(item: &Item, day: i64) -> f64 {
    item.grams + item.grams_per_year * (day - item.since) as f64 / 365.25
}

/// What the scale shows: the load and its own error, a little scatter, rounded to 1 g.
fn shown(book: &mut Book, grams: f64, offset: f64) -> f64 {
    (grams + offset + 0.25 * book.noise()).round()
}

/// Adds the sittings: check weights first, then every item that was there.
///
/// # Errors
/// As a record is refused.
pub fn weighings(book: &mut Book, room: &Kitroom, keys: &Keys) -> Result<()> {
    let first = room.sittings.iter().min().copied().unwrap_or(0);
    let at = book.at(first, "07:00")?;
    let scale = json!({ "name": room.scale, "resolution_g": 1, "capacity_g": 5000 });
    let scale = book.add("scale", at, scale)?;
    for (day, offset) in room.sittings.iter().zip(&room.offsets) {
        let at = book.at(*day, "07:30")?;
        let sitting = book.add("sitting", at, json!({ "scale_id": scale, "started_at": at }))?;
        for (name, known, u) in WEIGHTS {
            let reading = shown(book, known, *offset);
            let body = json!({
                "sitting_id": sitting, "weight_name": name, "known_g": known, "known_u_g": u,
                "reading_g": reading, "observed_at": at,
            });
            book.add("check_reading", at, body)?;
        }
        let there =
            room.item.iter().filter(|item| item.since <= *day && item.until.is_none_or(|until| *day < until));
        for item in there {
            let units = if item.body.get("per_unit") == Some(&json!(true)) { 10 } else { 1 };
            let reading = shown(book, true_grams(item, *day) * f64::from(units), *offset);
            let mut body = json!({
                "item_id": keys[&item.key], "sitting_id": sitting, "reading_g": reading, "observed_at": at,
                "source": "typed",
            });
            if units > 1 {
                body["units"] = json!(units);
            }
            book.add("weighing", at, body)?;
        }
    }
    Ok(())
}

/// Adds training, washes, single facts, stock and retirement.
///
/// # Errors
/// As a record is refused.
pub fn history(book: &mut Book, room: &Kitroom, keys: &Keys) -> Result<()> {
    for item in &room.item {
        let id = keys[&item.key];
        let end = item.until.unwrap_or(0).min(0);
        let from = item.since.max(-720);
        // Training is logged once in four weeks, as people do.
        let mut day = from + 28;
        while let Some(weekly) = item.weekly_h.filter(|_| day < end) {
            let worn = ((weekly * 4.0 * (1.0 + 0.15 * book.noise())).max(0.5) * 10.0).round() / 10.0;
            let at = book.at(day, "20:00")?;
            let body = json!({ "item_id": id, "event": "use", "worn_h": worn, "observed_at": at });
            book.add("log_entry", at, body)?;
            day += 28;
        }
        let mut day = from + 14;
        while let Some(every) = item.wash_every_d.filter(|_| day < end) {
            let at = book.at(day, "21:00")?;
            let body = json!({ "item_id": id, "event": "wash", "program": "30 gentle", "observed_at": at });
            book.add("log_entry", at, body)?;
            day += every;
        }
        for fact in &item.log {
            let at = book.at(day_of(fact)?, "19:00")?;
            book.add("log_entry", at, object(fact, json!({ "item_id": id, "observed_at": at })))?;
        }
        for fact in &item.stock {
            let at = book.at(day_of(fact)?, "19:30")?;
            book.add("stock_entry", at, object(fact, json!({ "item_id": id, "observed_at": at })))?;
        }
        if let (Some(until), Some(reason)) = (item.until, &item.reason) {
            let at = book.at(until, "19:45")?;
            let body = json!({ "item_id": id, "event": "retire", "reason": reason, "observed_at": at });
            book.add("log_entry", at, body)?;
        }
    }
    Ok(())
}
