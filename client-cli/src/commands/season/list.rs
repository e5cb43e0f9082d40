//! `tare season list`.

use domain::kinds::season::KIND;
use domain::wire::season::SeasonBody;
use domain::wire::shape;
use serde_json::{Value, json};
use uuid::Uuid;

use crate::app::App;
use crate::error::Result;
use crate::local::Store;
use crate::render;

/// The live seasons, the latest first.
///
/// # Errors
/// When the store cannot be read.
pub fn seasons(store: &Store, room: Uuid) -> Result<Vec<(Uuid, SeasonBody)>> {
    let records = store.records(room, &KIND)?;
    let mut seasons: Vec<(Uuid, SeasonBody)> = records
        .iter()
        .filter(|record| record.is_live())
        .filter_map(|record| Some((record.id, shape::read(&record.body).ok()?)))
        .collect();
    seasons.sort_by(|(_, a), (_, b)| (b.from_on, b.to_on, &a.name).cmp(&(a.from_on, a.to_on, &b.name)));
    Ok(seasons)
}

/// Lists the seasons, the latest first.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_season_list(app: &mut App<'_>) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let seasons = seasons(&store, room.id)?;
    if seasons.is_empty() && !app.ui.json {
        app.ui.say("no season here yet; make one: tare season add 2026");
        return Ok(());
    }
    let days = |season: &SeasonBody| (season.to_on - season.from_on).num_days() + 1;
    let rows: Vec<Vec<String>> = seasons
        .iter()
        .map(|(_, season)| {
            let notes = season.notes.as_ref().map(|notes| render::cell(notes.as_str()));
            vec![
                season.name.to_string(),
                season.from_on.to_string(),
                season.to_on.to_string(),
                days(season).to_string(),
                notes.unwrap_or_default(),
            ]
        })
        .collect();
    app.rows(&["name", "from", "to", "days", "notes"], &rows, || {
        let documents: Vec<Value> = seasons
            .iter()
            .map(|(id, season)| json!({ "id": id, "season": season, "days": days(season) }))
            .collect();
        json!({ "seasons": documents })
    })
}
