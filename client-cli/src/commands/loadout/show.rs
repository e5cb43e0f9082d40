//! `tare loadout show`.

use domain::kinds;
use domain::loadout::mass;
use domain::wire::loadout::LoadoutState;
use domain::wire::loadout_answers::LoadoutMass;
use domain::wire::seal::MassWithU;
use serde_json::json;

use super::after::{entry, head};
use super::packed::{Line, Packed, counted};
use super::{LoadoutNameArgs, Open, figures, open};
use crate::app::App;
use crate::commands::race;
use crate::error::Result;
use crate::local::Store;
use crate::local::loadouts::Reach;
use crate::render::{self, cell, count, long_day, wrapped};

/// Shows what is carried, how it is made up, and each line.
///
/// # Errors
/// When no loadout or more than one matches.
pub fn cmd_loadout_show(app: &mut App<'_>, args: &LoadoutNameArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    let facts = store.loadout_facts(&open.room, &open.record, Reach::Lines)?;
    let masses = mass(&facts);
    if app.ui.json {
        let entries: Vec<_> = open.entries.iter().map(entry).collect();
        return app.ui.json(&json!({ "loadout": head(&open), "entries": entries, "mass": masses }));
    }
    let packed = Packed::of(&store, &open)?;
    let mut text = heading(&store, &open)?;
    text.push('\n');
    text.push_str(&carried(&facts, &masses));
    text.push('\n');
    text.push_str(&cuts(&masses));
    text.push_str(&lines(&store, &open, &packed)?);
    for finding in &masses.findings {
        text.push_str(&format!("! {}\n", wrapped(2, &finding.text)));
    }
    app.ui.data(&text)
}

/// What it is for, and whether it may still change.
///
/// # Errors
/// When the store cannot be read.
pub fn heading(store: &Store, open: &Open) -> Result<String> {
    let mut words = vec![open.name().to_owned()];
    let race = match open.body.race_id {
        Some(id) => store.record(open.room.id, &kinds::race::KIND, id.uuid())?,
        None => None,
    };
    match race {
        Some(record) => {
            let race = race::body(&record)?;
            let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
            if race.name.as_str() != open.name() {
                words.push(format!("for {}", race.name));
            }
            words.extend(race.starts_at.map(|at| race::times::clock(at, zone)));
        }
        None => words.push("for no race".to_owned()),
    }
    words.push(match (open.state.state, open.state.sealed_at) {
        (LoadoutState::Draft, _) => "a draft".to_owned(),
        (LoadoutState::Sealed, Some(at)) => format!("sealed {}", long_day(at)),
        (LoadoutState::Sealed, None) => "sealed".to_owned(),
    });
    let mut text = format!("{}\n", wrapped(0, &words.join(", ")));
    let rate = |what: Option<String>| what.unwrap_or_else(|| "not said".to_owned());
    let eat = rate(open.body.eat_kcal_per_h.map(|rate| format!("{rate} an hour")));
    let drink = rate(open.body.drink_ml_per_h.map(|rate| format!("{rate} an hour")));
    text.push_str(&format!("eaten: {eat}; drunk: {drink}\n"));
    if let Some(notes) = &open.body.notes {
        text.push_str(&format!("{}\n", wrapped(0, notes.as_str())));
    }
    Ok(text)
}

fn row(name: &str, words: &str) -> String {
    format!("{name:<24} {}\n", wrapped(25, words))
}

/// The four answers about what is carried, and the total.
fn carried(facts: &domain::loadout::LoadoutFacts, masses: &LoadoutMass) -> String {
    let carried = &masses.carried;
    let why = carried.why_absent.as_deref().unwrap_or("not known");
    let or_why = |mass: &Option<MassWithU>| mass.as_ref().map_or_else(|| why.to_owned(), figures::mass);
    let mut text = row("carried at the start", &figures::mass(&carried.start_g));
    text.push_str(&row("  on average", &or_why(&carried.mean_g)));
    let legs = facts.race.as_ref().and_then(|(_, race)| race.legs.as_deref()).unwrap_or_default();
    let place = carried.max_leg.map(|leg| {
        let to = legs.get(leg as usize - 1).map_or(String::new(), |leg| format!(" to {}", leg.name));
        format!(", setting out on leg {leg}{to}")
    });
    text.push_str(&row(
        "  at most",
        &format!("{}{}", figures::mass(&carried.max_g), place.unwrap_or_default()),
    ));
    text.push_str(&row("  at the finish", &or_why(&carried.finish_g)));
    text.push_str(&row(
        "with what is worn",
        &format!("{} at the start", figures::mass(&masses.total_start_g)),
    ));
    let rests = &masses.rests_on;
    if rests.label_n > 0 || rests.unknown_n > 0 {
        let mut words = vec![format!("{} weighed", figures::mass(&rests.measured))];
        if rests.label_n > 0 {
            words.push(format!("{} g by {}", figures::rounded(rests.label_g), count(rests.label_n, "label")));
        }
        if rests.unknown_n > 0 {
            words.push(format!("{} without a mass, which is not zero", count(rests.unknown_n, "item")));
        }
        text.push_str(&row("  of that", &words.join("; ")));
    }
    text
}

/// By reach, demanded and own choice, expendable, and by pocket.
fn cuts(masses: &LoadoutMass) -> String {
    let mut text = String::from("carried at the start, by what it takes to get at it\n");
    let reach = &masses.by_reach;
    let lines = [
        ("  while moving", &reach.moving, true),
        ("  at a stop", &reach.at_stop, true),
        ("  vest off", &reach.vest_off, true),
        ("  no pocket said", &reach.not_placed, reach.not_placed.value_g > 0.0),
    ];
    for (name, mass, _) in lines.iter().filter(|(_, _, shown)| *shown) {
        text.push_str(&row(name, &figures::mass(mass)));
    }
    for pocket in &masses.pockets {
        let mut words = figures::mass(&pocket.mass_g);
        match (pocket.used_ml, pocket.volume_ml) {
            (Some(used), Some(volume)) => words.push_str(&format!(", {used} of {volume} ml")),
            (None, Some(volume)) => words.push_str(&format!(", volume not known, of {volume} ml")),
            (_, None) => {}
        }
        text.push_str(&row(&format!("    {}", cell(&pocket.name)), &words));
    }
    text.push_str("with what is worn, at the start\n");
    match (&masses.demanded_g, &masses.own_choice_g) {
        (Some(demanded), Some(own)) => {
            text.push_str(&row("  demanded by rules", &figures::mass(demanded)));
            text.push_str(&row("  own choice", &figures::mass(own)));
        }
        _ => text.push_str(&row("  demanded by rules", "not known without a rule sheet")),
    }
    let expendable = &masses.expendable;
    if expendable.expendable_g.value_g > 0.0 || expendable.reserve_g.value_g > 0.0 {
        let made = format!(
            "food {}, water {}",
            figures::mass(&expendable.food_g),
            figures::mass(&expendable.water_g)
        );
        text.push_str(&row(
            "  gets less on the way",
            &format!("{}: {made}", figures::mass(&expendable.expendable_g)),
        ));
        if expendable.reserve_g.value_g > 0.0 {
            text.push_str(&row("  kept to the finish", &figures::mass(&expendable.reserve_g)));
        }
    }
    text.push('\n');
    text
}

fn lines(store: &Store, open: &Open, packed: &Packed) -> Result<String> {
    if packed.lines.is_empty() {
        return Ok("nothing in it yet: tare loadout put ITEM, ITEM\n".to_owned());
    }
    let mut rows = Vec::with_capacity(packed.lines.len());
    for line in &packed.lines {
        rows.push(vec![
            cell(&counted(line.entry.body.units(), &line.name)),
            unit_mass(store, open, line)?,
            cell(&packed.whereabouts(&line.entry.body)),
            marks(line).join(", "),
        ]);
    }
    let mut text = render::table(&["what", "mass of one", "where", "besides"], &rows);
    text.push('\n');
    Ok(text)
}

/// The mass of one unit of a line.
///
/// # Errors
/// When the store cannot be read.
pub fn unit_mass(store: &Store, open: &Open, line: &Line) -> Result<String> {
    if let Some(seen) = &line.entry.body.seen {
        return Ok(render::mass(Some(&seen.mass)).0);
    }
    let item = store.item(open.room.id, line.entry.body.item_id.uuid())?;
    Ok(render::mass(item.and_then(|item| item.mass).as_ref()).0)
}

/// What else is to be said of a line.
fn marks(line: &Line) -> Vec<String> {
    let body = &line.entry.body;
    let mut marks = Vec::new();
    marks.extend(body.fill_ml.map(|fill| format!("{fill} of water")));
    if body.reserve == Some(true) {
        marks.push("kept to the finish".to_owned());
    }
    if body.locked == Some(true) {
        marks.push("locked".to_owned());
    }
    marks.extend(body.seen.as_ref().map(|seen| format!("not ours, as seen {}", long_day(seen.seen_at))));
    marks.extend(body.note.as_ref().map(|note| cell(note.as_str())));
    marks
}
