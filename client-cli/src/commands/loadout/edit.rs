//! `tare loadout edit` and `tare loadout use`.

use domain::kinds::{self, loadout::KIND, loadout_entry};
use domain::sync::op::Action;
use domain::wire::shape::Object;
use serde_json::json;

use super::after::head;
use super::{LoadoutEditArgs, LoadoutUseArgs, after, of_record, open};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Draft;

/// Works on this loadout from now on.
///
/// # Errors
/// When no loadout or more than one matches.
pub fn cmd_loadout_use(app: &mut App<'_>, args: &LoadoutUseArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let record = app.named(&store, room.id, &KIND, &args.loadout)?;
    store.use_loadout(room.id, record.id)?;
    let open = of_record(&store, room, record)?;
    app.done(
        &format!("{} is the loadout that you work on now", open.name()),
        || json!({ "loadout": head(&open) }),
    )
}

/// Changes a loadout: only what was given.
///
/// # Errors
/// When it is sealed, nothing was given, or a field is not valid.
pub fn cmd_loadout_edit(app: &mut App<'_>, args: &LoadoutEditArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    open.refuse_sealed()?;
    let mut payload = Object::new();
    if let Some(race) = &args.race {
        let race = app.named(&store, open.room.id, &kinds::race::KIND, race)?;
        payload.insert("race_id".to_owned(), json!(race.id));
    }
    let fields = [
        ("name", args.name.as_ref().map(|name| json!(name))),
        ("eat_kcal_per_h", args.eat.map(|rate| json!(rate))),
        ("drink_ml_per_h", args.drink.map(|rate| json!(rate))),
        ("notes", args.notes.as_ref().map(|notes| json!(notes))),
    ];
    payload.extend(fields.into_iter().filter_map(|(field, value)| Some((field.to_owned(), value?))));
    if payload.is_empty() {
        return Err(Error::usage("nothing was given to change").hint("see: tare loadout edit --help"));
    }
    let record_id = open.record.id;
    store.act(open.room.id, &[Draft { kind: &KIND, record_id, action: Action::Patch, payload }])?;
    let Some(record) = store.record(open.room.id, &KIND, record_id)? else {
        return Err(Error::internal("the loadout was saved and cannot be found"));
    };
    let open = of_record(&store, open.room, record)?;
    after::changed(app, &mut store, &open, &["saved on this device".to_owned()], &[])
}

/// Takes a loadout away with its lines; what is sealed or logged stays.
///
/// # Errors
/// When it is sealed, or something refers to it.
pub fn cmd_loadout_remove(app: &mut App<'_>, args: &LoadoutUseArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, Some(&args.loadout))?;
    open.refuse_sealed()?;
    let lines = crate::render::count(open.entries.len() as i64, "line");
    if app.ui.can_ask && !app.yes(&format!("take {} away, with its {lines}?", open.name()), false)? {
        return Err(Error::refused("nothing was changed"));
    }
    let mut entries: Vec<_> = open.entries.iter().collect();
    // What lies inside another line goes before it.
    entries.sort_by_key(|entry| entry.body.inside_entry_id.is_none());
    let gone = |kind, record_id| Draft { kind, record_id, action: Action::Delete, payload: Object::new() };
    let mut drafts: Vec<Draft> = entries.iter().map(|entry| gone(&loadout_entry::KIND, entry.id)).collect();
    drafts.push(gone(&KIND, open.record.id));
    store
        .act(open.room.id, &drafts)
        .map_err(|error| error.hint("what was sealed or logged with it names it; it stays"))?;
    app.done(&format!("{} is gone, with its {lines}", open.name()), || json!({ "removed": open.record.id }))
}
