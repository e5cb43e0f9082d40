//! `tare sheet list`.

use domain::kinds::{race, rule_sheet::KIND};
use serde_json::{Value, json};

use crate::app::App;
use crate::error::Result;
use crate::render;

/// Lists the sheets with the races that go by them.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_sheet_list(app: &mut App<'_>) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let mut rows = Vec::new();
    let mut documents = Vec::new();
    for record in store.live(room.id, &KIND)? {
        let text =
            |field: &str| record.body.get(field).and_then(Value::as_str).unwrap_or_default().to_owned();
        let rules = record.body.get("rules").and_then(Value::as_array).map_or(0, Vec::len);
        let races = store.referring(room.id, &race::KIND, "rule_sheet_id", (KIND.name, record.id))?;
        let races: Vec<String> = races
            .iter()
            .filter(|race| race.is_live())
            .filter_map(|race| race.body.get("name")?.as_str().map(str::to_owned))
            .collect();
        documents.push(json!({
            "id": record.id, "name": text("name"), "edition": record.body.get("edition"), "rules": rules, "races": races,
            "copied_from": record.body.get("copied_from"), "version": record.version,
        }));
        rows.push(vec![text("name"), text("edition"), rules.to_string(), races.join(", ")]);
    }
    if rows.is_empty() && !app.ui.json {
        app.ui.say("no rule sheet here yet; take one in: tare sheet import FILE");
        return Ok(());
    }
    rows.iter_mut().flatten().for_each(|text| *text = render::cell(text));
    app.rows(&["name", "edition", "rules", "races by it"], &rows, || json!({ "sheets": documents }))
}
