//! `tare loadout list`.

use domain::kinds::{self, loadout::KIND};
use domain::loadout::mass;
use domain::wire::loadout::LoadoutState;
use domain::wire::seal::{MassWithU, SealBody};
use domain::wire::shape;
use serde_json::{Value, json};

use super::after::head;
use super::{Open, figures, of_record};
use crate::app::App;
use crate::error::Result;
use crate::local::loadouts::Reach;
use crate::local::{Store, named};
use crate::render::{cell, long_day};

/// Lists the loadouts, the newest first, each with what is carried at the start: as it was sealed, else as it is now.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_loadout_list(app: &mut App<'_>) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let current = store.current_loadout(room.id)?.map(|record| record.id);
    let (mut rows, mut documents) = (Vec::new(), Vec::<Value>::new());
    for record in store.live(room.id, &KIND)? {
        let open = of_record(&store, room.clone(), record)?;
        let start = start(&mut store, &open)?;
        let race = match open.body.race_id {
            Some(id) => store.record(room.id, &kinds::race::KIND, id.uuid())?.map(|race| named::label(&race)),
            None => None,
        };
        let is_current = current == Some(open.record.id);
        let state = match (open.state.state, open.state.sealed_at) {
            (LoadoutState::Draft, _) if is_current => "draft, current".to_owned(),
            (LoadoutState::Draft, _) => "draft".to_owned(),
            (LoadoutState::Sealed, at) => format!("sealed {}", at.map(long_day).unwrap_or_default()),
        };
        rows.push(vec![
            cell(open.name()),
            race.as_deref().map(cell).unwrap_or_default(),
            state,
            open.entries.len().to_string(),
            figures::column(&start),
        ]);
        let mut document = head(&open);
        document["race"] = json!(race);
        document["entries"] = json!(open.entries.len());
        document["carried_start_g"] = json!(start);
        document["current"] = json!(is_current);
        documents.push(document);
    }
    if rows.is_empty() && !app.ui.json {
        app.ui.say("no loadout here yet; make one: tare loadout new RACE");
        return Ok(());
    }
    app.rows(
        &["loadout", "race", "state", "lines", "carried at start"],
        &rows,
        || json!({ "loadouts": documents }),
    )
}

fn start(store: &mut Store, open: &Open) -> Result<MassWithU> {
    if let Some(id) = open.state.seal_id
        && let Some(record) = store.record(open.room.id, &kinds::seal::KIND, id)?
        && let Ok(seal) = shape::read::<SealBody>(&record.body)
    {
        return Ok(seal.snapshot.carried.start_g);
    }
    let facts = store.loadout_facts(&open.room, &open.record, Reach::Lines)?;
    Ok(mass(&facts).carried.start_g)
}
