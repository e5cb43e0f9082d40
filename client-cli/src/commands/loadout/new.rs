//! `tare loadout new`.

use std::collections::HashMap;

use chrono::NaiveDate;
use domain::ids::{LoadoutEntryId, LoadoutId};
use domain::kinds::{self, loadout::KIND, loadout_entry};
use domain::sync::record::Stored;
use domain::time_zone;
use domain::wire::item::ItemBody;
use domain::wire::loadout::SeenItem;
use domain::wire::log_entry::ItemState;
use domain::wire::shape::Object;
use serde_json::json;
use uuid::Uuid;

use super::packed::{Line, Packed};
use super::{LoadoutNewArgs, Open, after, of_record};
use crate::app::App;
use crate::commands::race;
use crate::error::{Error, Result};
use crate::local::items::fold;
use crate::local::{Draft, Kitroom, Store, named};

/// Makes a loadout, like another one if that is wanted, and works on it from now on.
///
/// # Errors
/// When the race or the other loadout is not clear, or a number is not valid.
pub fn cmd_loadout_new(app: &mut App<'_>, args: &LoadoutNewArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let race = match &args.race {
        Some(name) => Some(app.named(&store, room.id, &kinds::race::KIND, name)?),
        None => None,
    };
    let name = match (&args.name, &race) {
        (Some(name), _) => name.clone(),
        (None, Some(race)) => free_name(&store, room.id, &named::label(race))?,
        (None, None) => {
            return Err(Error::usage("the loadout has neither a race nor a name")
                .hint("tare loadout new RACE, or tare loadout new --name NAME; races: tare race list"));
        }
    };
    let like = match args.like.as_deref() {
        None => None,
        Some("") => Some(last(&store, room.id)?),
        Some(name) => Some(app.named(&store, room.id, &KIND, name)?),
    };
    let like = like.map(|record| of_record(&store, room.clone(), record)).transpose()?;
    let loadout = body(&name, args, race.as_ref(), like.as_ref());
    let record_id = store.new_id();
    let mut drafts =
        vec![Draft { kind: &KIND, record_id, action: domain::sync::op::Action::Create, payload: loadout }];
    let mut words = Vec::new();
    if let Some(like) = &like {
        let finish = race.as_ref().map(race::body).transpose()?.and_then(|race| finish_on(&race));
        let today = time_zone::day(store.env().now(), None);
        let copying = Copying { room: &room, loadout: record_id, by: finish.unwrap_or(today) };
        let (lines, left_out) = copying.lines(&mut store, like)?;
        words.push(format!(
            "{} of {} taken over",
            crate::render::count(lines.len() as i64, "line"),
            like.name()
        ));
        words.extend(left_out);
        drafts.extend(lines);
    }
    store.act(room.id, &drafts)?;
    store.use_loadout(room.id, record_id)?;
    let record = store
        .record(room.id, &KIND, record_id)?
        .ok_or_else(|| Error::internal("the loadout was saved and cannot be found"))?;
    let open = of_record(&store, room, record)?;
    words.push(format!("{} is the loadout that you work on now", open.name()));
    if like.is_none() {
        words.push("next: tare loadout put ITEM, ITEM @PLACE; or: tare loadout lightest --take".to_owned());
    }
    after::changed(app, &mut store, &open, &words, &[])
}

fn body(name: &str, args: &LoadoutNewArgs, race: Option<&Stored>, like: Option<&Open>) -> Object {
    let rate = |given: Option<f64>, last: Option<f64>| given.or(last);
    let eat = rate(args.eat, like.and_then(|like| like.body.eat_kcal_per_h.map(|rate| rate.value())));
    let drink = rate(args.drink, like.and_then(|like| like.body.drink_ml_per_h.map(|rate| rate.value())));
    let mut payload = Object::from_iter([("name".to_owned(), json!(name))]);
    let mut put = |field: &str, value: Option<serde_json::Value>| {
        if let Some(value) = value {
            payload.insert(field.to_owned(), value);
        }
    };
    put("race_id", race.map(|race| json!(race.id)));
    put("eat_kcal_per_h", eat.map(|rate| json!(rate)));
    put("drink_ml_per_h", drink.map(|rate| json!(rate)));
    payload
}

/// The day of the expected finish, else of the start.
fn finish_on(race: &domain::wire::race::RaceBody) -> Option<NaiveDate> {
    let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
    let start = race.starts_at?;
    let finish = race::expected_h(race).map_or(start, |hours| race::times::later(start, hours));
    Some(time_zone::day(finish, zone))
}

/// The loadout that was made last.
fn last(store: &Store, room: Uuid) -> Result<Stored> {
    store.live(room, &KIND)?.into_iter().next().ok_or_else(|| {
        Error::refused("there is no loadout yet that this one could be like").hint("leave --like out")
    })
}

/// The name, with a number when it is taken.
fn free_name(store: &Store, room: Uuid, name: &str) -> Result<String> {
    let taken: Vec<String> =
        store.live(room, &KIND)?.iter().map(|record| fold(&named::label(record))).collect();
    let mut free = name.to_owned();
    let mut number = 1;
    while taken.contains(&fold(&free)) {
        number += 1;
        free = format!("{name} ({number})");
    }
    Ok(free)
}

/// Takes lines over into a new loadout.
struct Copying<'a> {
    room: &'a Kitroom,
    loadout: Uuid,
    /// The day on which things must still count.
    by: NaiveDate,
}

impl Copying<'_> {
    /// The lines that are serviceable, and words about those that are not.
    fn lines(&self, store: &mut Store, like: &Open) -> Result<(Vec<Draft>, Vec<String>)> {
        let packed = Packed::of(store, like)?;
        let (mut left_out, mut kept, mut ids) = (Vec::new(), Vec::new(), HashMap::new());
        for line in &packed.lines {
            let (why, seen) = self.look(store, line)?;
            if let Some(why) = why {
                left_out.push(format!("left out: {} ({why})", line.name));
                continue;
            }
            let id = store.new_id();
            ids.insert(line.entry.id, id);
            kept.push((id, line.entry.body.clone(), seen));
        }
        // What lies inside others comes after them.
        kept.sort_by_key(|(_, body, _)| body.inside_entry_id.is_some());
        let broken = |why: domain::ids::IdError| Error::internal("an id is no id").because(why);
        let mut drafts = Vec::with_capacity(kept.len());
        for (id, mut body, seen) in kept {
            body.loadout_id = LoadoutId::new(self.loadout).map_err(broken)?;
            body.pocket_id = body.pocket_id.filter(|pocket| packed.pocket(pocket.uuid()).is_some());
            let inside = body.inside_entry_id.and_then(|inside| ids.get(&inside.uuid()));
            body.inside_entry_id = inside.map(|id| LoadoutEntryId::new(*id)).transpose().map_err(broken)?;
            // Legs belong to the other race.
            (body.from_leg, body.to_leg) = (None, None);
            body.seen = seen;
            drafts.push(Draft::make(&loadout_entry::KIND, id, &body)?);
        }
        Ok((drafts, left_out))
    }

    /// Why a line is not taken over, and what is seen now of an item that belongs to another kitroom.
    fn look(&self, store: &mut Store, line: &Line) -> Result<(Option<String>, Option<SeenItem>)> {
        let body = &line.entry.body;
        if let Some(elsewhere) = body.item_kitroom_id {
            let Some(room) = store.kitrooms()?.into_iter().find(|room| room.id == elsewhere.uuid()) else {
                return Ok((Some("its kitroom is not on this device".to_owned()), None));
            };
            return Ok(match store.seen(&room, body.item_id.uuid()) {
                Ok(seen) => (unfit(seen.state, &seen.item, self.by), Some(seen)),
                Err(_) => (Some(format!("it is no longer in {}", room.name)), None),
            });
        }
        let Some(item) = store.item(self.room.id, body.item_id.uuid())? else {
            return Ok((Some("it is deleted".to_owned()), None));
        };
        let why = line.item.as_ref().and_then(|body| unfit(item.state.state, body, self.by));
        Ok((why, None))
    }
}

/// Why an item is not serviceable on a day.
fn unfit(state: ItemState, item: &ItemBody, by: NaiveDate) -> Option<String> {
    match state {
        ItemState::Retired => return Some("retired".to_owned()),
        ItemState::Quarantined => return Some("quarantined".to_owned()),
        ItemState::Serviceable | ItemState::OnWatch => {}
    }
    item.expires_on.filter(|last| *last < by).map(|last| format!("expires on {last}"))
}
