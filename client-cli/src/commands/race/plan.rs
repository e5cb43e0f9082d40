//! `tare race plan`.

use domain::ids::RaceId;
use domain::kinds::{loadout, race::KIND};
use domain::loadout::{PlanOptions, plan};
use domain::sync::record::Stored;
use domain::wire::loadout_answers::{FoodLeg, FoodPlan, LampPlan, RacePlan, WaterLeg, WaterPlan};
use domain::wire::race::RaceBody;
use serde_json::json;
use uuid::Uuid;

use super::{RacePlanArgs, body, times};
use crate::app::App;
use crate::commands::loadout::packed::counted;
use crate::error::{Error, Result};
use crate::local::loadouts::Reach;
use crate::local::{Kitroom, Store, named};
use crate::render::{cell, table, wrapped};

/// Shows darkness, light, water, food and what 100 g cost on the course.
///
/// # Errors
/// When no race or more than one matches.
pub fn cmd_race_plan(app: &mut App<'_>, args: &RacePlanArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room(&store)?;
    let (record, loadout) = subject(app, &store, &room, args)?;
    let race = body(&record)?;
    let facts = match &loadout {
        Some(loadout) => Some(store.loadout_facts(&room, loadout, Reach::Lines)?),
        None => None,
    };
    let race_id = RaceId::new(record.id).map_err(|why| Error::internal(why.to_string()))?;
    let options = PlanOptions {
        cell_c: args.cold,
        margin: args.margin.map(|per_cent| per_cent / 100.0),
        ..PlanOptions::default()
    };
    let plan = plan(race_id, &race, facts.as_ref(), &options);
    if app.ui.json {
        return app.ui.json(&json!(plan));
    }
    let mut text = heading(&race, &plan, loadout.as_ref());
    text.push_str(&dark(&race, &plan));
    match &loadout {
        Some(_) => {
            plan.lamp.iter().for_each(|lamp| text.push_str(&light(lamp)));
            plan.water.iter().for_each(|plan| text.push_str(&water(plan)));
            plan.food.iter().for_each(|plan| text.push_str(&food(plan)));
        }
        None => text.push_str("\nlight, water and food need a loadout: tare loadout new RACE\n"),
    }
    text.push_str(&cost(&plan));
    for finding in &plan.findings {
        text.push_str(&format!("! {}\n", wrapped(2, &finding.text)));
    }
    text.push_str(&format!("\n{}\n", wrapped(0, &plan.caution)));
    app.ui.data(&text)
}

/// The race and the loadout that are meant.
fn subject(
    app: &mut App<'_>,
    store: &Store,
    room: &Kitroom,
    args: &RacePlanArgs,
) -> Result<(Stored, Option<Stored>)> {
    let race_of =
        |loadout: &Stored| -> Option<Uuid> { domain::kinds::reference_id(&loadout.body, "race_id") };
    let loadout = match &args.loadout {
        Some(name) => Some(app.named(store, room.id, &loadout::KIND, name)?),
        None => store.current_loadout(room.id)?,
    };
    if let Some(name) = &args.race {
        let race = app.named(store, room.id, &KIND, name)?;
        // Another race's loadout is meant only when it was named.
        let fits = |loadout: &Stored| args.loadout.is_some() || race_of(loadout) == Some(race.id);
        let newest = || -> Result<Option<Stored>> {
            Ok(store.live(room.id, &loadout::KIND)?.into_iter().find(|one| race_of(one) == Some(race.id)))
        };
        let loadout = match loadout.filter(|loadout| fits(loadout)) {
            Some(loadout) => Some(loadout),
            None => newest()?,
        };
        return Ok((race, loadout));
    }
    match loadout.as_ref().and_then(race_of) {
        Some(id) => match store.record(room.id, &KIND, id)? {
            Some(race) => Ok((race, loadout)),
            None => Err(Error::refused("the loadout's race is not on this device").hint("tare sync")),
        },
        None => Ok((app.named_or_only(store, room.id, &KIND, None)?, None)),
    }
}

fn row(name: &str, words: &str) -> String {
    format!("{name:<20} {}\n", wrapped(21, words))
}

fn heading(race: &RaceBody, plan: &RacePlan, loadout: Option<&Stored>) -> String {
    let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
    let with =
        loadout.map_or(String::new(), |loadout| format!(", with the loadout {}", named::label(loadout)));
    let mut text = format!("{}\n", wrapped(0, &format!("{}{with}", race.name)));
    if let Some(at) = plan.starts_at {
        text.push_str(&row("starts", &times::clock(at, zone)));
    }
    if let (Some(at), Some(hours)) = (plan.finish_at, plan.expected_h) {
        text.push_str(&row(
            "expected",
            &format!("{}, until {}", times::hours(hours), times::clock(at, zone)),
        ));
    }
    text
}

fn dark(race: &RaceBody, plan: &RacePlan) -> String {
    let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
    let Some(dark) = &plan.dark_h else {
        let why = plan.why_no_dark_h.as_deref().unwrap_or("not known");
        return format!("\n{}", row("dark", &format!("not known: {why}")));
    };
    let mut text = String::from("\n");
    let bound = times::hours(dark.civil_bound);
    text.push_str(&row(
        "lamp needed",
        &format!("{} (the sun 6 degrees down or more; +- {bound})", times::hours(dark.civil)),
    ));
    text.push_str(&row("sun down", &times::hours(dark.sun_down)));
    for spell in &dark.spells {
        let words = format!("{} to {}", times::short(spell.from, zone), times::short(spell.to, zone));
        text.push_str(&row("  dark", &words));
    }
    if let Some(assumed) = &dark.assumed {
        text.push_str(&row("", assumed));
    }
    text
}

fn light(lamp: &LampPlan) -> String {
    let mut text = format!("\n{}", row("light", &lamp.text));
    let rows: Vec<Vec<String>> = lamp
        .sources
        .iter()
        .map(|source| {
            let hours = |hours: Option<f64>| hours.map_or("not known".to_owned(), times::hours);
            vec![
                cell(&counted(source.quantity, &source.name)),
                hours(source.burn_h),
                hours(source.cold_burn_h),
                source.evidence.name().to_owned(),
                source.note.clone().unwrap_or_default(),
            ]
        })
        .collect();
    if !rows.is_empty() {
        let cold = format!("at {} C", lamp.cell_c);
        text.push_str(&table(&["source", "burns", &cold, "evidence", "besides"], &rows));
    }
    text
}

/// What is taken on the way: its rate or why there is none, leg by leg, and what others take (common practice).
fn supply(
    name: &str,
    rate: Option<String>,
    why: Option<&str>,
    rows: &[Vec<String>],
    band: Option<&str>,
) -> String {
    let mut text = format!("\n{}", row(name, why.unwrap_or(&rate.unwrap_or_default())));
    if !rows.is_empty() {
        text.push_str(&table(&["leg", "hours", "leaving with", "left", ""], rows));
    }
    if let Some(band) = band {
        text.push_str(&format!("{}\n", wrapped(0, band)));
    }
    text
}

fn water(plan: &WaterPlan) -> String {
    let rate = plan.drink_ml_per_h.map(|rate| format!("{rate} ml an hour"));
    let row = |leg: &WaterLeg| {
        vec![
            format!("{} to {}", leg.leg, cell(&leg.name)),
            times::hours(leg.hours),
            format!("{:.0} ml", leg.leaving_ml),
            format!("{:.0} ml", leg.left_ml),
            if leg.dry_h > 0.0 { format!("dry for {}", times::hours(leg.dry_h)) } else { String::new() },
        ]
    };
    let rows: Vec<Vec<String>> = plan.legs.iter().map(row).collect();
    supply("water", rate, plan.why_absent.as_deref(), &rows, plan.band.as_deref())
}

fn food(plan: &FoodPlan) -> String {
    let rate = plan.eat_kcal_per_h.map(|rate| format!("{rate} kcal an hour"));
    let row = |leg: &FoodLeg| {
        vec![
            format!("{} to {}", leg.leg, cell(&leg.name)),
            times::hours(leg.hours),
            format!("{:.0} kcal", leg.leaving_kcal),
            format!("{:.0} kcal", leg.left_kcal),
            if leg.empty_h > 0.0 {
                format!("without for {}", times::hours(leg.empty_h))
            } else {
                String::new()
            },
        ]
    };
    let rows: Vec<Vec<String>> = plan.legs.iter().map(row).collect();
    supply("food", rate, plan.why_absent.as_deref(), &rows, plan.band.as_deref())
}

fn cost(plan: &RacePlan) -> String {
    let Some(cost) = &plan.cost_of_100_g else {
        let why = plan.why_no_cost.as_deref().unwrap_or("not known");
        return format!("\n{}", row("100 g more", &format!("not known: {why}")));
    };
    let range =
        |range: &domain::wire::loadout_answers::NumberRange| format!("{:.1} to {:.1}", range.low, range.high);
    let mut words = format!("{} kcal", range(&cost.kcal));
    if let Some(percent) = &cost.percent {
        words.push_str(&format!(", {} % of the course's energy", range(percent)));
    }
    if let Some(minutes) = &cost.minutes {
        words.push_str(&format!(", {minutes} min"));
    }
    let mut text = format!("\n{}", row("100 g more", &words));
    if let Some(why) = &cost.why_absent {
        text.push_str(&row("", why));
    }
    text.push_str(&format!("{}\n", wrapped(0, &cost.caveat)));
    text
}
