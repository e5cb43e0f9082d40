//! `tare race list`.

use domain::kinds::{race::KIND, rule_sheet};
use serde_json::{Value, json};

use super::add::to_json;
use super::{body, expected_h, times};
use crate::app::App;
use crate::error::Result;
use crate::local::named;
use crate::render;

/// Lists the races, the latest start first.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_race_list(app: &mut App<'_>) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let mut races = Vec::new();
    for record in store.live(room.id, &KIND)? {
        let race = body(&record)?;
        let sheet = match race.rule_sheet_id {
            Some(id) => store.record(room.id, &rule_sheet::KIND, id.uuid())?,
            None => None,
        };
        races.push((record, race, sheet));
    }
    races.sort_by_key(|(record, race, _)| std::cmp::Reverse((race.starts_at, record.id)));
    if races.is_empty() && !app.ui.json {
        app.ui.say("no race here yet; add one: tare race add, or tare race add FILE");
        return Ok(());
    }
    let rows: Vec<Vec<String>> = races
        .iter()
        .map(|(_, race, sheet)| {
            let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
            let km: f64 = race.legs.iter().flatten().map(|leg| leg.distance_km.value()).sum();
            vec![
                render::cell(race.name.as_str()),
                race.starts_at.map_or(String::new(), |at| times::clock(at, zone)),
                expected_h(race).map_or(String::new(), times::hours),
                if km > 0.0 { format!("{} km", (km * 10.0).round() / 10.0) } else { String::new() },
                sheet.as_ref().map(named::label).map_or("none".to_owned(), |label| render::cell(&label)),
            ]
        })
        .collect();
    app.rows(&["race", "starts", "expected", "length", "rule sheet"], &rows, || {
        let races: Vec<Value> =
            races.iter().map(|(record, _, sheet)| to_json(record, sheet.as_ref())).collect();
        json!({ "races": races })
    })
}
