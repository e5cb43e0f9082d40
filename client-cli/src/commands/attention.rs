//! `tare attention`: what deserves a look, with the reason and the day.

use std::collections::HashMap;

use domain::attention::{
    AttentionInput, CheckedSitting, ItemSeen, LoadoutSeen, RaceSeen, ScaleSeen, attention,
};
use domain::ids::ItemId;
use domain::kinds::{self, Kind, reference_id};
use domain::rules::RuleSheet;
use domain::sync::record::Stored;
use domain::wire::item::ItemBody;
use domain::wire::loadout::LoadoutEntryBody;
use domain::wire::race::RaceBody;
use domain::wire::rule_sheet::RuleSheetBody;
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
use serde::de::DeserializeOwned;
use serde_json::json;
use uuid::Uuid;

use crate::app::App;
use crate::commands::scale::offsets::history;
use crate::error::Result;
use crate::local::{ItemLine, Store};
use crate::render;

/// Lists what deserves a look, the most urgent first.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_attention(app: &mut App<'_>) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    store.freshen(room.id)?;
    let view = attention(&input(&store, room.id)?, store.env().now());
    if app.ui.json {
        return app.ui.json(&json!(view));
    }
    let mut text = String::new();
    for line in &view.lines {
        let by = match (&line.by, &line.race) {
            (_, Some(race)) => format!(" for {}, {}", race.name, race.starts_on),
            (Some(by), None) => format!(" by {by}"),
            (None, None) => String::new(),
        };
        text.push_str(&format!("{}\n", render::wrapped(4, &format!("{}{by}", line.about.name))));
        text.push_str(&format!("    {}\n", render::wrapped(4, &line.text)));
        text.push_str(&format!("    next: {}\n", render::wrapped(10, &line.next)));
    }
    if view.lines.is_empty() {
        app.ui.say("nothing here deserves a look");
    } else {
        app.ui.data(&text)?;
    }
    for words in &view.not_looked_at {
        app.ui.say(&format!("* {}", render::wrapped(2, words)));
    }
    Ok(())
}

/// The live records of a kind that this version can read.
fn live<T: DeserializeOwned>(store: &Store, room: Uuid, kind: &'static Kind) -> Result<Vec<(Stored, T)>> {
    let records = store.records(room, kind)?.into_iter().filter(Stored::is_live);
    Ok(records.filter_map(|record| shape::read(&record.body).ok().map(|body| (record, body))).collect())
}

fn input(store: &Store, room: Uuid) -> Result<AttentionInput> {
    let mut logs = store.logs(room)?;
    let lines: HashMap<Uuid, ItemLine> = store.items(room)?.into_iter().map(|line| (line.id, line)).collect();
    let items =
        live::<ItemBody>(store, room, &kinds::item::KIND)?.into_iter().filter_map(|(record, body)| {
            let line = lines.get(&record.id)?;
            Some(ItemSeen {
                id: ItemId::new(record.id).ok()?,
                body,
                state: line.state.clone(),
                last_weighed_at: line.mass.as_ref().and_then(|mass| mass.last_weighed_at),
                stock: line.stock.stock,
                log: logs.remove(&record.id).unwrap_or_default(),
            })
        });
    let items = items.collect();
    let sheets: HashMap<Uuid, RuleSheet> = live::<RuleSheetBody>(store, room, &kinds::rule_sheet::KIND)?
        .into_iter()
        .map(|(record, body)| (record.id, body.sheet()))
        .collect();
    let races = live::<RaceBody>(store, room, &kinds::race::KIND)?
        .into_iter()
        .map(|(record, body)| RaceSeen {
            id: record.id,
            rules: body.rule_sheet_id.and_then(|id| sheets.get(&id.uuid()).cloned()),
            body,
        })
        .collect();
    let mut entries: HashMap<Uuid, Vec<LoadoutEntryBody>> = HashMap::new();
    for (record, body) in live::<LoadoutEntryBody>(store, room, &kinds::loadout_entry::KIND)? {
        if let Some(loadout) = reference_id(&record.body, "loadout_id") {
            entries.entry(loadout).or_default().push(body);
        }
    }
    let loadouts = store
        .records(room, &kinds::loadout::KIND)?
        .into_iter()
        .filter(Stored::is_live)
        .map(|record| LoadoutSeen {
            id: record.id,
            race_id: reference_id(&record.body, "race_id"),
            entries: entries.remove(&record.id).unwrap_or_default(),
        })
        .collect();
    let mut scales = Vec::new();
    for (record, body) in live::<ScaleBody>(store, room, &kinds::scale::KIND)? {
        let Some(history) = history(store, room, record.id)? else { continue };
        let sittings =
            history.sittings.into_iter().map(|one| CheckedSitting { at: one.at, offset: one.offset });
        scales.push(ScaleSeen { id: record.id, name: body.name.to_string(), sittings: sittings.collect() });
    }
    Ok(AttentionInput { items, races, loadouts, scales })
}
