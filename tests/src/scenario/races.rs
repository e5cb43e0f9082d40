//! Races, what was taken to them, their seals, and what was logged afterwards.

use std::collections::{BTreeSet, HashMap};

use domain::loadout::{LoadoutRecords, snapshot};
use domain::mass::{Evidence, ItemFacts, WeighingFact, item_mass};
use domain::rules;
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::mass::ItemMass;
use serde_json::{Value, json};
use uuid::Uuid;

use super::book::{Book, PlanError, Result};
use super::kit::Keys;
use super::plan::{Kitroom, Plan, Race};

fn unknown(what: &str, key: &str) -> PlanError {
    PlanError(format!("the plan has no {what} {key}"))
}

/// Adds the editions of the rule sheet, as `tare sheet import` reads them.
///
/// # Errors
/// As a sheet does not parse.
pub fn sheets(book: &mut Book, sheets: &[String]) -> Result<Keys> {
    let mut keys = Keys::new();
    for text in sheets {
        let sheet = rules::parse_toml(text).map_err(|problems| PlanError(format!("{problems:?}")))?;
        let edition = sheet.edition.clone();
        let at = book.at(-720, "12:00")?;
        let id = book.add("rule_sheet", at, json!(sheet))?;
        keys.insert(edition, id);
    }
    Ok(keys)
}

/// Adds the pockets.
///
/// # Errors
/// As a record is refused.
pub fn pockets(book: &mut Book, room: &Kitroom, items: &Keys) -> Result<Keys> {
    let mut keys = Keys::new();
    for pocket in &room.pocket {
        let mut body = pocket.as_object().cloned().unwrap_or_default();
        let take = |body: &mut serde_json::Map<String, Value>, name: &str| {
            body.remove(name).and_then(|value| value.as_str().map(str::to_owned)).unwrap_or_default()
        };
        let (key, item) = (take(&mut body, "key"), take(&mut body, "item"));
        body.insert("item_id".into(), json!(items.get(&item).ok_or_else(|| unknown("item", &item))?));
        let at = book.at(-320, "18:30")?;
        let id = book.add("pocket", at, Value::Object(body))?;
        keys.insert(key, id);
    }
    Ok(keys)
}

/// Where everything is found.
#[derive(Debug)]
pub struct Found {
    /// Items.
    pub items: Keys,
    /// Pockets.
    pub pockets: Keys,
    /// Rule sheets by edition.
    pub sheets: Keys,
}

/// Adds a race with its loadout; one that was run is sealed and logged.
///
/// # Errors
/// As a record is refused.
pub fn race(book: &mut Book, plan: &Plan, race: &Race, found: &Found) -> Result<()> {
    let course = plan.course.iter().find(|course| course.key == race.course);
    let course = course.ok_or_else(|| unknown("course", &race.course))?;
    let sheet = found.sheets.get(&race.sheet).ok_or_else(|| unknown("sheet", &race.sheet))?;
    let planned = book.at(race.day - 30, "20:00")?;
    let starts_at = book.at(race.day, &race.start)?;
    let mut body = json!({
        "name": race.name, "starts_at": starts_at, "time_zone": course.time_zone, "rule_sheet_id": sheet,
        "legs": course.legs, "notes": format!("on the course {}", course.name),
    });
    if !race.active_sets.is_empty() {
        body["active_sets"] = json!(race.active_sets);
    }
    let race_id = book.add("race", planned, body)?;
    let body = json!({
        "race_id": race_id, "name": race.name, "eat_kcal_per_h": 180, "drink_ml_per_h": 400,
    });
    let loadout = book.add("loadout", planned, body)?;
    for line in &race.take {
        let body = entry(line, loadout, found)?;
        book.add("loadout_entry", planned, body)?;
    }
    if race.sealed {
        let sealed_at = Timestamp::from_millis(starts_at.millis() - 3_600_000)
            .map_err(|error| PlanError(error.to_string()))?;
        seal(book, loadout, sealed_at)?;
        log(book, race, (loadout, starts_at, hours(&course.legs)), found)?;
    }
    Ok(())
}

fn hours(legs: &Value) -> f64 {
    let legs = legs.as_array().map(Vec::as_slice).unwrap_or_default();
    legs.iter().filter_map(|leg| leg.get("expected_h")?.as_f64()).sum()
}

/// `KEY[*N] PLACE[/POCKET] [fill=ML] [reserve] [locked]`.
fn entry(line: &str, loadout: Uuid, found: &Found) -> Result<Value> {
    let mut words = line.split_whitespace();
    let wrong = || PlanError(format!("{line:?} is no line of a loadout"));
    let what = words.next().ok_or_else(wrong)?;
    let (key, quantity) = match what.split_once('*') {
        Some((key, n)) => (key, n.parse::<u32>().map_err(|_| wrong())?),
        None => (what, 1),
    };
    let item = found.items.get(key).ok_or_else(|| unknown("item", key))?;
    let place = words.next().ok_or_else(wrong)?;
    let (place, pocket) =
        place.split_once('/').map_or((place, None), |(place, pocket)| (place, Some(pocket)));
    let mut body = json!({ "loadout_id": loadout, "item_id": item, "carry_place": place });
    if quantity > 1 {
        body["quantity"] = json!(quantity);
    }
    if let Some(pocket) = pocket {
        body["pocket_id"] = json!(found.pockets.get(pocket).ok_or_else(|| unknown("pocket", pocket))?);
    }
    for word in words {
        match word.split_once('=') {
            Some(("fill", ml)) => body["fill_ml"] = json!(ml.parse::<u32>().map_err(|_| wrong())?),
            None if word == "reserve" || word == "locked" => body[word] = json!(true),
            _ => return Err(wrong()),
        }
    }
    Ok(body)
}

/// The masses of all items by what was weighed until a moment.
fn masses(book: &Book, until: Timestamp) -> HashMap<Uuid, ItemMass> {
    let before = |kind: &str| -> Vec<Stored> {
        book.of(kind).into_iter().filter(|record| record.recorded_at <= until).collect()
    };
    let (checks, weighings) = (before("check_reading"), before("weighing"));
    let (scales, sittings) = (book.of("scale"), before("sitting"));
    let evidence = Evidence::of_kitroom(&scales, &sittings, &checks, &weighings);
    let superseded = Evidence::superseded(&weighings);
    let facts: Vec<WeighingFact> =
        weighings.iter().filter_map(|record| WeighingFact::from_record(record, &superseded)).collect();
    let mass = |item: &Stored| {
        let own: Vec<WeighingFact> =
            facts.iter().filter(|fact| fact.body.item_id.uuid() == item.id).cloned().collect();
        Some((item.id, item_mass(ItemFacts::from_record(item)?, &own, &evidence)))
    };
    book.of("item").iter().filter_map(mass).collect()
}

fn seal(book: &mut Book, loadout: Uuid, sealed_at: Timestamp) -> Result<()> {
    let masses = masses(book, sealed_at);
    let one = |kind: &str, id: Option<Uuid>| book.of(kind).into_iter().find(|record| Some(record.id) == id);
    let missing = || PlanError("a loadout is not there".into());
    let stored = one("loadout", Some(loadout)).ok_or_else(missing)?;
    let race = one("race", domain::kinds::reference_id(&stored.body, "race_id"));
    let sheet = race.as_ref().and_then(|race| domain::kinds::reference_id(&race.body, "rule_sheet_id"));
    let sheet = one("rule_sheet", sheet);
    let mut entries = book.of("loadout_entry");
    entries.retain(|entry| domain::kinds::reference_id(&entry.body, "loadout_id") == Some(loadout));
    let records = LoadoutRecords {
        loadout: &stored,
        entries: &entries,
        items: &book.of("item"),
        masses: &masses,
        log_entries: &book.of("log_entry"),
        stock_entries: &book.of("stock_entry"),
        pockets: &book.of("pocket"),
        race: race.as_ref(),
        sheet: sheet.as_ref(),
        member_of: BTreeSet::new(),
        as_of: sealed_at,
    };
    let facts = records.facts().map_err(|error| PlanError(error.to_string()))?;
    let snapshot = snapshot(&facts, sealed_at);
    let body = json!({ "loadout_id": loadout, "observed_at": sealed_at, "snapshot": snapshot });
    book.add("seal", sealed_at, body)?;
    Ok(())
}

/// What the runner logs afterwards: hours worn and carried, wet hours, food eaten, what was lost.
fn log(
    book: &mut Book,
    race: &Race,
    (loadout, starts_at, hours): (Uuid, Timestamp, f64),
    found: &Found,
) -> Result<()> {
    let ms = starts_at.millis() + (hours * 3_600_000.0) as i64;
    let after = Timestamp::from_millis(ms).map_err(|error| PlanError(error.to_string()))?;
    let mut logged = BTreeSet::new();
    for line in &race.take {
        let entry = entry(line, loadout, found)?;
        let item = entry["item_id"].clone();
        let food = race.ate.keys().any(|key| json!(found.items.get(key)) == item);
        if food || !logged.insert(item.to_string()) {
            continue;
        }
        let worn = entry["carry_place"] == "on_body";
        let mut body = json!({
            "item_id": item, "event": "use", "loadout_id": loadout, "observed_at": after,
        });
        body[if worn { "worn_h" } else { "carried_h" }] = json!(hours);
        if worn && race.wet_h > 0.0 {
            body["wet_h"] = json!(race.wet_h);
        }
        book.add("log_entry", after, body)?;
    }
    for (key, number) in &race.ate {
        let item = found.items.get(key).ok_or_else(|| unknown("item", key))?;
        let body = json!({
            "item_id": item, "change": -number, "reason": "eaten", "observed_at": after, "loadout_id": loadout,
        });
        book.add("stock_entry", after, body)?;
    }
    if let Some(key) = &race.lost {
        let item = found.items.get(key).ok_or_else(|| unknown("item", key))?;
        let body = json!({
            "item_id": item, "event": "retire", "reason": "lost", "observed_at": after, "loadout_id": loadout,
        });
        book.add("log_entry", after, body)?;
    }
    Ok(())
}
