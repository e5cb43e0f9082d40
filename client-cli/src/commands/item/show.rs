//! `tare item show`.

use std::collections::HashSet;

use domain::kinds;
use domain::mass::WeighingFact;
use domain::metrology::outliers::modified_z;
use domain::sync::record::Stored;
use domain::wear_history::worn_until;
use domain::wire::item::ItemKind;
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
use domain::wire::weighing::{Fill, WeighingBody, Wetness};
use serde_json::{Value, json};
use uuid::Uuid;

use super::ItemShowArgs;
use crate::app::App;
use crate::commands::log::history;
use crate::commands::stock::show as stock;
use crate::commands::take_back::Fact;
use crate::commands::weigh::changed;
use crate::error::Result;
use crate::local::{ItemLine, Store};
use crate::plot::{self, Point};
use crate::render;

/// Shows an item, its mass with all that it rests on, and every weighing, the voided ones included.
///
/// # Errors
/// When no item or more than one matches.
pub fn cmd_item_show(app: &mut App<'_>, args: &ItemShowArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let line = app.item(&store, room.id, &args.item)?;
    let record = store.record(room.id, &kinds::item::KIND, line.id)?;
    let mut weighings =
        store.referring(room.id, &kinds::weighing::KIND, "item_id", (kinds::item::KIND.name, line.id))?;
    weighings.sort_by_key(|record| {
        let observed = shape::read::<WeighingBody>(&record.body).map(|body| body.observed_at.millis());
        std::cmp::Reverse((observed.unwrap_or(0), record.id))
    });
    let history = history::of_item(&store, room.id, line.id)?;
    let movements = stock::of_item(&store, room.id, line.id)?;
    if app.ui.json {
        let mut document = to_json(Some(&line), record.as_ref());
        document["weighings"] = weighings.iter().map(|record| Value::Object(record.to_wire())).collect();
        let entries = history.iter().map(|entry| Value::Object(entry.record.to_wire()));
        document["log_entries"] = entries.collect();
        document["stock_entries"] = movements.iter().map(|record| Value::Object(record.to_wire())).collect();
        return app.ui.json(&document);
    }
    let mut text = format!("{}\n", line.name);
    let (mass, evidence) = render::mass(line.mass.as_ref());
    let evidence = if evidence.is_empty() { evidence } else { format!(", {evidence}") };
    text.push_str(&format!("  mass          {mass}{evidence}\n"));
    let mut remarks: Vec<String> = line.mass.iter().flat_map(render::mass_remarks).collect();
    if let Some((mass, change)) =
        line.mass.as_ref().and_then(|mass| Some((mass, mass.mass_changed.as_ref()?)))
    {
        let words = changed(&store, room.id, line.id, "it", change, mass)?;
        remarks.push(format!("{words}; only what agrees with the newest counts"));
    }
    for remark in remarks {
        text.push_str(&format!("                {}\n", render::wrapped(16, &remark)));
    }
    text.push_str(&format!("  state         {}\n", render::wrapped(16, &state(&line, &history))));
    let used = worn_until(&store.log_of(room.id, line.id)?, store.env().now()).logged;
    if used.worn_h > 0.0 || used.washes > 0.0 {
        let washes = match used.washes {
            0.0 => "never washed".to_owned(),
            1.0 => "washed once".to_owned(),
            washes => format!("washed {washes} times"),
        };
        text.push_str(&format!("  used          {} h worn, {washes}, as logged\n", used.worn_h));
    }
    let in_units = record.as_ref().is_some_and(|record| record.body.get("per_unit") == Some(&json!(true)));
    if in_units || !movements.is_empty() {
        text.push_str(&format!("  stock         {}\n", render::wrapped(16, &stock::words(&line))));
    }
    for (field, value) in record.iter().flat_map(|record| &record.body).filter(|(field, _)| *field != "name")
    {
        let value = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        text.push_str(&format!("  {field:<13} {}\n", render::wrapped(16, &render::cell(&value))));
    }
    app.ui.data(&text)?;
    if !history.is_empty() {
        /// How much of the history is shown beside everything else.
        const NEWEST: usize = 10;
        app.ui.data("\n")?;
        let newest = &history[..history.len().min(NEWEST)];
        app.rows(&history::HEADER, &history::rows(newest, &line), || json!(null))?;
        if history.len() > NEWEST {
            let older = history.len() - NEWEST;
            app.ui.say(&format!("and {older} older: tare log show {}", line.name));
        }
    }
    let replaced = store.replaced(room.id, &kinds::weighing::KIND, &weighings)?;
    let kind = ItemKind::from_name(&line.kind).unwrap_or(ItemKind::Other);
    let rows: Vec<Vec<String>> = weighings.iter().filter_map(|record| row(record, kind, &replaced)).collect();
    if rows.is_empty() {
        return Ok(());
    }
    app.ui.data("\n")?;
    let step = weighings.iter().filter_map(|record| step(&store, room.id, record)).fold(0.0, f64::max);
    app.ui.data(&plotted(&weighings, kind, &replaced, step))?;
    app.rows(&["weighed on", "reading", "condition", "by", "usable"], &rows, || json!(null))
}

/// The state, and since when.
fn state(line: &ItemLine, history: &[history::Entry]) -> String {
    let words = line.state.state.name().replace('_', " ");
    let heads: Vec<&history::Entry> =
        history.iter().filter(|entry| line.state.state_heads.contains(&entry.record.id)).collect();
    let on = |entry: &history::Entry| render::long_day(entry.body.observed_at);
    match heads.as_slice() {
        [] => words,
        [one] if one.body.event.sets() == Some(line.state.state) => {
            format!("{words} since {}: {}", on(one), one.describe())
        }
        several => {
            let told: Vec<String> =
                several.iter().map(|entry| format!("{} on {}", entry.describe(), on(entry))).collect();
            let apart = "people judged it without having seen each other's entry, and the strictest holds";
            format!("{words}; {}; {apart}", told.join("; "))
        }
    }
}

/// The step that a weighing was read to, in grams.
fn step(store: &Store, room: Uuid, record: &Stored) -> Option<f64> {
    let body: WeighingBody = shape::read(&record.body).ok()?;
    let sitting =
        |id: Uuid| store.record(room, &kinds::sitting::KIND, id).ok()??.body.get("scale_id").cloned();
    let by_sitting = body.sitting_id.and_then(|id| sitting(id.uuid()));
    let by_sitting = by_sitting.and_then(|id| Uuid::parse_str(id.as_str()?).ok());
    let scale = body.scale_id.map(Into::into).or(by_sitting);
    let scale = scale.and_then(|id| store.record(room, &kinds::scale::KIND, id).ok()?);
    let scale = scale.and_then(|scale| shape::read::<ScaleBody>(&scale.body).ok());
    scale.map(|scale| scale.resolution_g).or(body.resolution_g).map(|mass| mass.value())
}

/// The readings that stand, over time, and what the marks mean.
fn plotted(weighings: &[Stored], kind: ItemKind, replaced: &HashSet<Uuid>, step_g: f64) -> String {
    let facts: Vec<WeighingFact> = weighings
        .iter()
        .filter_map(|record| WeighingFact::from_record(record, replaced))
        .filter(|fact| !fact.set_aside)
        .collect();
    let (usable, other): (Vec<_>, Vec<_>) = facts.into_iter().partition(|fact| fact.is_usable(kind));
    let values: Vec<f64> = usable.iter().map(|fact| fact.body.net_g()).collect();
    let apart = modified_z(&values, step_g).map(|judged| judged.flagged).unwrap_or_default();
    let point =
        |fact: &WeighingFact, mark| Point { at: fact.body.observed_at, value: fact.body.net_g(), mark };
    let mut points: Vec<Point> = other.iter().map(|fact| point(fact, 'x')).collect();
    points.extend(usable.iter().map(|fact| point(fact, 'o')));
    points.extend(apart.iter().map(|at| point(&usable[*at], '!')));
    let lines = plot::over_time(&points, "g");
    if lines.is_empty() {
        return String::new();
    }
    let mut legend = String::from("o a reading that counts");
    if !other.is_empty() {
        legend.push_str("  x one that does not (wet, full)");
    }
    if !apart.is_empty() {
        legend.push_str("  ! stands apart; it counts");
    }
    format!("{}\n{legend}\n\n", lines.join("\n"))
}

fn row(record: &Stored, kind: ItemKind, replaced: &HashSet<Uuid>) -> Option<Vec<String>> {
    let fact = WeighingFact::from_record(record, replaced)?;
    let body = &fact.body;
    let wet = match body.wetness {
        Some(Wetness::Wet) => "wet",
        Some(Wetness::Damp) => "damp",
        _ => "dry",
    };
    let mut condition = vec![wet.to_owned()];
    match body.fill {
        Some(Fill::Full) => condition.push("full".to_owned()),
        Some(Fill::Part) => condition.push("part full".to_owned()),
        _ => {}
    }
    if let Some(units) = body.units.filter(|units| *units > 1) {
        condition.push(format!("{units} together"));
    }
    if let Some(tare) = body.tare_g {
        condition.push(format!("tare {tare}"));
    }
    let usable = match &record.voided {
        Some(voided) => format!("voided: {}", voided.reason),
        None if record.time_suspect => "no: its time lies ahead".to_owned(),
        None if replaced.contains(&record.id) => "no: replaced by a later one".to_owned(),
        None if fact.is_usable(kind) => "yes".to_owned(),
        None => "no: not dry, or not empty".to_owned(),
    };
    let source = body.source.map_or_else(|| json!("typed"), |source| json!(source));
    let observed = body.observed_at.to_string();
    Some(vec![
        observed.get(..16).unwrap_or(&observed).replace('T', " "),
        body.reading_g.to_string(),
        condition.join(", "),
        source.as_str().unwrap_or_default().to_owned(),
        usable,
    ])
}

/// An item as JSON: its mass, and its body when that is wanted.
#[must_use]
pub fn to_json(line: Option<&ItemLine>, record: Option<&Stored>) -> Value {
    let Some(line) = line else { return json!({}) };
    let mut document = record.map_or_else(
        || json!({ "id": line.id, "name": line.name, "kind": line.kind, "size": line.size, "tag": line.tag }),
        |record| Value::Object(record.to_wire()),
    );
    if let (Some(document), Some(Value::Object(mass))) =
        (document.as_object_mut(), line.mass.as_ref().map(|mass| json!(mass)))
    {
        document.extend(mass);
    }
    for view in [json!(line.state), json!(line.stock)] {
        if let (Some(document), Value::Object(view)) = (document.as_object_mut(), view) {
            document.extend(view);
        }
    }
    document
}
