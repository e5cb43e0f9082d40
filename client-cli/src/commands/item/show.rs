//! `tare item show`.

use std::collections::HashSet;

use domain::kinds;
use domain::mass::WeighingFact;
use domain::sync::record::Stored;
use domain::wire::item::ItemKind;
use domain::wire::shape;
use domain::wire::weighing::{Fill, WeighingBody, Wetness};
use serde_json::{Value, json};
use uuid::Uuid;

use super::ItemShowArgs;
use crate::app::App;
use crate::error::Result;
use crate::local::ItemLine;
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
    if app.ui.json {
        let mut document = to_json(Some(&line), record.as_ref());
        document["weighings"] = weighings.iter().map(|record| Value::Object(record.to_wire())).collect();
        return app.ui.json(&document);
    }
    let mut text = format!("{}\n", line.name);
    let (mass, evidence) = render::mass(line.mass.as_ref());
    let evidence = if evidence.is_empty() { evidence } else { format!(", {evidence}") };
    text.push_str(&format!("  mass          {mass}{evidence}\n"));
    for remark in line.mass.iter().flat_map(render::mass_remarks) {
        text.push_str(&format!("                {}\n", render::wrapped(16, &remark)));
    }
    for (field, value) in record.iter().flat_map(|record| &record.body).filter(|(field, _)| *field != "name")
    {
        let value = value.as_str().map_or_else(|| value.to_string(), str::to_owned);
        text.push_str(&format!("  {field:<13} {}\n", render::wrapped(16, &render::cell(&value))));
    }
    app.ui.data(&text)?;
    let replaced = store.replaced(room.id, &kinds::weighing::KIND, &weighings)?;
    let kind = ItemKind::from_name(&line.kind).unwrap_or(ItemKind::Other);
    let rows: Vec<Vec<String>> = weighings.iter().filter_map(|record| row(record, kind, &replaced)).collect();
    if rows.is_empty() {
        return Ok(());
    }
    app.ui.data("\n")?;
    app.rows(&["weighed on", "reading", "condition", "by", "usable"], &rows, || json!(null))
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
    document
}
