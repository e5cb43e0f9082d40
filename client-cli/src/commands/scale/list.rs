//! `tare scale list`.

use domain::kinds::scale::KIND;
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
use serde_json::{Value, json};

use super::ScaleListArgs;
use super::offsets::{History, history};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::items::fold;
use crate::render;

/// Lists the scales with their latest offset; of one scale, its offset in every checked sitting.
///
/// # Errors
/// When the store cannot be read, or no scale or more than one has this in its name.
pub fn cmd_scale_list(app: &mut App<'_>, args: &ScaleListArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let mut scales = Vec::new();
    for record in store.records(room.id, &KIND)?.into_iter().filter(|record| record.is_live()) {
        let Ok(scale) = shape::read::<ScaleBody>(&record.body) else { continue };
        let history = history(&store, room.id, record.id)?;
        scales.push((record.id, scale, history));
    }
    if let Some(name) = &args.name {
        let wanted = fold(name);
        scales.retain(|(_, scale, _)| fold(scale.name.as_str()).contains(&wanted));
        return match scales.as_slice() {
            [(_, scale, Some(history))] => one(app, scale.name.as_str(), history),
            [] => Err(Error::usage(format!("no scale here is called {name}")).hint("see: tare scale list")),
            _ => {
                Err(Error::usage(format!("more than one scale matches {name}")).hint("give more of the name"))
            }
        };
    }
    let (mut rows, mut documents) = (Vec::new(), Vec::new());
    for (id, scale, history) in &scales {
        let capacity = scale.capacity_g.map(|mass| mass.to_string()).unwrap_or_default();
        let last = history.as_ref().and_then(|history| history.sittings.last());
        let off = last.map_or_else(|| "never checked".to_owned(), |last| last.words());
        let on = last.map(|last| render::day(&last.at.to_string()).to_owned()).unwrap_or_default();
        rows.push(vec![scale.name.to_string(), scale.resolution_g.to_string(), capacity, off, on]);
        documents.push(json!({ "id": id, "scale": scale, "offset": last.map(|last| &last.offset) }));
    }
    app.rows(&["name", "reads to", "capacity", "off by", "on"], &rows, || json!({ "scales": documents }))
}

fn one(app: &mut App<'_>, name: &str, history: &History) -> Result<()> {
    let apart = history.apart();
    let (mut rows, mut documents): (Vec<Vec<String>>, Vec<Value>) = (Vec::new(), Vec::new());
    for (at, sitting) in history.sittings.iter().enumerate() {
        let weights: Vec<String> = sitting.offset.u_by_weight_g.keys().cloned().collect();
        let mark = if apart.contains(&at) { "stands apart" } else { "" };
        rows.push(vec![
            render::day(&sitting.at.to_string()).to_owned(),
            sitting.words(),
            render::count(sitting.offset.n as i64, "reading"),
            weights.join(", "),
            mark.to_owned(),
        ]);
        documents.push(json!({
            "sitting_id": sitting.sitting, "started_at": sitting.at, "offset": sitting.offset,
            "stands_apart": apart.contains(&at),
        }));
    }
    app.rows(
        &["sitting", "off by", "from", "weights", ""],
        &rows,
        || json!({ "name": name, "sittings": documents }),
    )?;
    if let Some(last) = history.sittings.last().filter(|_| !app.ui.json) {
        for words in history.sentences(name, last.sitting) {
            app.ui.say(&format!("* {}", render::wrapped(2, &words)));
        }
    }
    Ok(())
}
