//! `tare loadout used`: what happened on the way, asked for in a few questions.

use std::collections::BTreeMap;

use domain::ids::ItemId;
use domain::kinds::{self, log_entry};
use domain::time::Timestamp;
use domain::wire::item::ItemKind;
use domain::wire::race::RaceBody;
use serde_json::json;

use super::after::head;
use super::packed::{Packed, counted};
use super::pieces::{numbered, pieces};
use super::used_ops::{Account, Logging};
use super::{LoadoutUsedArgs, Open, open};
use crate::app::App;
use crate::commands::race::{self, read_hours, times};
use crate::error::{Error, Result};
use crate::local::Store;
use crate::render::{count, long_day, wrapped};

/// Logs the whole loadout: one group of changes in each kitroom that it touches.
///
/// # Errors
/// When an answer is not clear, or it was logged already; then nothing is logged.
pub fn cmd_loadout_used(app: &mut App<'_>, args: &LoadoutUsedArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    if open.entries.is_empty() {
        return Err(Error::refused(format!("{} is empty", open.name())).hint("there is nothing to log"));
    }
    refuse_twice(&store, &open, args.again)?;
    let race = match open.body.race_id {
        Some(id) => store
            .record(open.room.id, &kinds::race::KIND, id.uuid())?
            .map(|race| race::body(&race))
            .transpose()?,
        None => None,
    };
    let packed = Packed::of(&store, &open)?;
    let account = Asking { packed: &packed, name: open.name() }.account(app, args, race.as_ref())?;
    let observed_at = observed_at(store.env().now(), race.as_ref(), account.hours);
    let logging = Logging {
        store: &store,
        open: &open,
        packed: &packed,
        race: race.as_ref(),
        account: &account,
        observed_at,
    };
    let (groups, words) = logging.groups()?;
    if !app.ui.json {
        words.iter().for_each(|line| app.ui.say(&wrapped(2, line)));
    }
    if app.ui.can_ask && args.hours.is_none() && !app.yes("log it?", true)? {
        return Err(Error::refused("nothing was logged"));
    }
    // What another kitroom would refuse must not leave this one logged alone.
    for (room, drafts) in &groups {
        if let Some(error) = store.refusal(*room, drafts)? {
            return Err(error);
        }
    }
    let mut entries = 0;
    for (room, drafts) in &groups {
        store.act(*room, drafts)?;
        entries += drafts.len();
    }
    let end = format!("{} logged on this device; nothing sent yet", count(entries as i64, "fact"));
    app.done(&end, || json!({ "loadout": head(&open), "logged": entries, "changed": words }))
}

fn refuse_twice(store: &Store, open: &Open, again: bool) -> Result<()> {
    let logged =
        store.referring(open.room.id, &log_entry::KIND, "loadout_id", ("loadout", open.record.id))?;
    let logged = logged.iter().find(|record| record.is_live());
    match logged.and_then(|record| record.body.get("observed_at")?.as_str()?.parse::<Timestamp>().ok()) {
        Some(at) if !again => {
            Err(Error::refused(format!("{} was logged already, as of {}", open.name(), long_day(at)))
                .because("to log it again counts its hours twice")
                .hint("if it was out twice: tare loadout used --again"))
        }
        _ => Ok(()),
    }
}

/// When it happened: the finish, if the race is over; else now.
fn observed_at(now: Timestamp, race: Option<&RaceBody>, hours: f64) -> Timestamp {
    let finish = race.and_then(|race| race.starts_at).map(|start| times::later(start, hours));
    finish.filter(|finish| *finish <= now).unwrap_or(now)
}

struct Asking<'a> {
    packed: &'a Packed,
    name: &'a str,
}

impl Asking<'_> {
    fn account(&self, app: &mut App<'_>, args: &LoadoutUsedArgs, race: Option<&RaceBody>) -> Result<Account> {
        let expected = race.and_then(race::expected_h);
        let hours = match &args.hours {
            Some(text) => typed_hours("--hours", text)?,
            None => self.asked_hours(app, expected)?,
        };
        if hours <= 0.0 {
            return Err(Error::usage("nothing was logged").because("the hours on the way must be above 0"));
        }
        let wet = match &args.wet {
            Some(text) => Some(typed_hours("--wet", text)?),
            None => self.asked_wet(app, hours)?,
        };
        if wet.is_some_and(|wet| wet > hours) {
            return Err(Error::usage("nothing was logged").because("more wet hours than hours on the way"));
        }
        let worn = self.answer(app, &args.worn, || {
            "what else was worn, each with its hours, as in: shell 4:30, gloves 2; Enter: nothing > "
                .to_owned()
        })?;
        let worn = self.worn(app, &worn, hours)?;
        let eaten = self.eaten(app, args.eaten.as_deref())?;
        let lost = self.answer(app, &args.lost, || {
            "was anything lost? as in: left glove, 2 gel; Enter: no > ".to_owned()
        })?;
        let lost = self.units(app, &lost)?;
        let damaged = self.answer(app, &args.damaged, || {
            "damaged? as in: shell: seam at the left cuff; several apart by ;  Enter: no > ".to_owned()
        })?;
        let damaged = self.damaged(app, &damaged)?;
        Ok(Account { hours, wet, worn, eaten, lost, damaged })
    }

    fn asked_hours(&self, app: &mut App<'_>, expected: Option<f64>) -> Result<f64> {
        if !app.ui.can_ask {
            return Err(Error::usage("nobody is here to be asked")
                .hint("say at least the hours: tare loadout used --hours 21:30"));
        }
        let likely =
            expected.map_or(String::new(), |hours| format!(", Enter: {} as planned", times::hours(hours)));
        loop {
            let answer = app.ui.ask(&format!("hours from start to finish, as in 21:30{likely} > "))?;
            let Some(answer) = answer else { return Err(Error::refused("nothing was logged")) };
            match (answer.trim(), expected) {
                ("", Some(hours)) => return Ok(hours),
                ("", None) => {}
                (text, _) => match read_hours(text) {
                    Ok(hours) => return Ok(hours),
                    Err(why) => app.ui.say(&format!("  {why}")),
                },
            }
        }
    }

    fn asked_wet(&self, app: &mut App<'_>, hours: f64) -> Result<Option<f64>> {
        if !app.ui.can_ask {
            return Ok(None);
        }
        loop {
            let answer =
                app.ui.ask("hours of them in the wet, 0 for none; Enter: not known > ")?.unwrap_or_default();
            if answer.trim().is_empty() {
                return Ok(None);
            }
            match read_hours(&answer) {
                Ok(wet) if wet <= hours => return Ok(Some(wet)),
                Ok(_) => app.ui.say("  more than the hours on the way"),
                Err(why) => app.ui.say(&format!("  {why}")),
            }
        }
    }

    /// What was given, else what is answered; nothing when nobody can be asked.
    fn answer(
        &self,
        app: &mut App<'_>,
        given: &Option<String>,
        prompt: impl Fn() -> String,
    ) -> Result<String> {
        let text = match given {
            Some(text) => text.clone(),
            None if app.ui.can_ask => app.ui.ask(&prompt())?.unwrap_or_default(),
            None => String::new(),
        };
        let none = matches!(text.trim().to_lowercase().as_str(), "none" | "no" | "n" | "nothing");
        Ok(if none { String::new() } else { text.trim().to_owned() })
    }

    fn worn(&self, app: &mut App<'_>, text: &str, most: f64) -> Result<BTreeMap<ItemId, f64>> {
        let mut worn = BTreeMap::new();
        for piece in text.split(',').map(str::trim).filter(|piece| !piece.is_empty()) {
            let words = piece.strip_suffix('h').map_or(piece, str::trim_end);
            let (name, hours) = words.rsplit_once(' ').unwrap_or((words, ""));
            let hours = read_hours(hours).map_err(|_| {
                Error::usage(format!("{piece}: the hours that it was worn are missing"))
                    .hint("as in: shell 4:30, gloves 2")
            })?;
            let item = self.packed.find(app, self.name, &[name])?;
            if hours > most {
                let name = self.packed.name_of(item).unwrap_or_default();
                return Err(Error::usage(format!("{name} was worn longer than the hours on the way")));
            }
            worn.insert(item, hours);
        }
        Ok(worn)
    }

    /// The food of the loadout with its units, and those of them that are not kept in reserve.
    fn food(&self) -> BTreeMap<ItemId, (u32, u32)> {
        let mut food: BTreeMap<ItemId, (u32, u32)> = BTreeMap::new();
        for line in &self.packed.lines {
            let is_food = matches!(line.kind, ItemKind::Food | ItemKind::DrinkMix);
            if is_food && line.per_unit {
                let body = &line.entry.body;
                let units = food.entry(body.item_id).or_default();
                units.0 += body.units();
                units.1 += if body.reserve == Some(true) { 0 } else { body.units() };
            }
        }
        food
    }

    fn eaten(&self, app: &mut App<'_>, given: Option<&str>) -> Result<BTreeMap<ItemId, u32>> {
        let food = self.food();
        match given.map(str::trim) {
            Some("all") => return Ok(food.into_iter().map(|(item, (_, eaten))| (item, eaten)).collect()),
            Some("none" | "") => return Ok(BTreeMap::new()),
            Some(text) => return self.units(app, text),
            None if !app.ui.can_ask => return Ok(BTreeMap::new()),
            None => {}
        }
        let mut eaten = BTreeMap::new();
        for (item, (packed, likely)) in food {
            let name = self.packed.name_of(item).unwrap_or_default();
            let prompt = format!("{}; how many were eaten? Enter: {likely} > ", counted(packed, name));
            let units = loop {
                let answer = app.ui.ask(&prompt)?.unwrap_or_default();
                match (answer.trim(), answer.trim().parse::<u32>()) {
                    ("", _) => break likely,
                    (_, Ok(units)) if units <= packed => break units,
                    _ => app.ui.say(&format!("  a number from 0 to {packed}")),
                }
            };
            eaten.insert(item, units);
        }
        Ok(eaten)
    }

    fn units(&self, app: &mut App<'_>, text: &str) -> Result<BTreeMap<ItemId, u32>> {
        let mut units = BTreeMap::new();
        if text.is_empty() {
            return Ok(units);
        }
        for piece in pieces(&[text.to_owned()])? {
            let item = self.packed.find(app, self.name, &[&piece.whole, &piece.name])?;
            let there: u32 = self.packed.lines_of(item).map(|line| line.entry.body.units()).sum();
            let number = piece.units.unwrap_or(1);
            if number > there {
                let name = self.packed.name_of(item).unwrap_or_default();
                return Err(Error::usage(format!("{}: {there} were packed", counted(number, name))));
            }
            *units.entry(item).or_insert(0) += number;
        }
        Ok(units)
    }

    fn damaged(&self, app: &mut App<'_>, text: &str) -> Result<Vec<(ItemId, Option<String>)>> {
        let mut damaged = Vec::new();
        for piece in text.split(';').map(str::trim).filter(|piece| !piece.is_empty()) {
            let (name, what) = match piece.split_once(':') {
                Some((name, what)) => {
                    (name.trim(), Some(what.trim().to_owned()).filter(|what| !what.is_empty()))
                }
                None => (piece, None),
            };
            let item = self.packed.find(app, self.name, &[name, numbered(name).1])?;
            damaged.push((item, what));
        }
        Ok(damaged)
    }
}

fn typed_hours(flag: &str, text: &str) -> Result<f64> {
    read_hours(text).map_err(|why| Error::usage(format!("{flag} is not clear")).because(why))
}
