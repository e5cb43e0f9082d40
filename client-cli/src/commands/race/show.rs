//! `tare race show`.

use domain::kinds::{race::KIND, rule_sheet};
use domain::wire::race::{Leg, RaceBody};

use super::add::to_json;
use super::{RaceShowArgs, body, expected_h, times};
use crate::app::App;
use crate::error::Result;
use crate::local::named;
use crate::render::{cell, count, table, wrapped};

/// Shows a race.
///
/// # Errors
/// When no race or more than one matches.
pub fn cmd_race_show(app: &mut App<'_>, args: &RaceShowArgs) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let record = app.named_or_only(&store, room.id, &KIND, args.race.as_deref())?;
    let race = body(&record)?;
    let sheet = match race.rule_sheet_id {
        Some(id) => store.record(room.id, &rule_sheet::KIND, id.uuid())?,
        None => None,
    };
    if app.ui.json {
        return app.ui.json(&to_json(&record, sheet.as_ref()));
    }
    let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
    let mut text = format!("{}\n", race.name);
    let mut line = |name: &str, words: &str| text.push_str(&format!("  {name:<13} {}\n", wrapped(16, words)));
    match race.starts_at {
        Some(at) => line("starts", &format!("{} ({})", times::clock(at, zone), zone.unwrap_or("UTC"))),
        None => line("starts", "not said yet"),
    }
    match (expected_h(&race), race.starts_at) {
        (Some(hours), Some(at)) => {
            let end = times::clock(times::later(at, hours), zone);
            line("expected", &format!("{}, so it ends on {end}", times::hours(hours)));
        }
        (Some(hours), None) => line("expected", &times::hours(hours)),
        (None, _) => line("expected", "not said: no mean, no darkness, no food and water can be told"),
    }
    if let Some(days) = race.days {
        line("days", &days.to_string());
    }
    match (&sheet, race.rule_sheet_id) {
        (Some(sheet), _) => {
            let rules = sheet.body.get("rules").and_then(|rules| rules.as_array()).map_or(0, Vec::len);
            let gone = if sheet.is_live() { "" } else { " (deleted)" };
            line("rule sheet", &format!("{}, {}{gone}", named::label(sheet), count(rules as i64, "rule")));
        }
        (None, Some(_)) => line("rule sheet", "one that is not on this device; tare sync"),
        (None, None) => line("rule sheet", "none: nothing can be checked"),
    }
    if let Some(sets) = race.active_sets.as_ref().filter(|sets| !sets.is_empty()) {
        let sets: Vec<&str> = sets.iter().map(|set| set.as_str()).collect();
        line("switched on", &sets.join(", "));
    }
    if let Some(notes) = &race.notes {
        line("notes", notes.as_str());
    }
    let legs = race.legs.as_deref().unwrap_or_default();
    if !legs.is_empty() {
        text.push('\n');
        text.push_str(&table(
            &["leg", "to", "km", "climb", "hours", "there by", "to be had"],
            &rows(&race, legs),
        ));
    }
    for remark in remarks(&race) {
        text.push_str(&format!("{}\n", wrapped(0, &remark)));
    }
    app.ui.data(&text)
}

fn rows(race: &RaceBody, legs: &[Leg]) -> Vec<Vec<String>> {
    let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
    let mut clock = race.starts_at;
    let mut row = |(at, leg): (usize, &Leg)| {
        clock = clock.zip(leg.expected_h).map(|(clock, hours)| times::later(clock, hours.value()));
        let had = leg.refill.unwrap_or_default();
        let had: Vec<&str> = [(had.water, "water"), (had.food, "food"), (had.drop_bag, "drop bag")]
            .into_iter()
            .filter_map(|(is, what)| is.then_some(what))
            .collect();
        vec![
            (at + 1).to_string(),
            cell(leg.name.as_str()),
            leg.distance_km.value().to_string(),
            leg.climb_m.map_or(String::new(), |climb| format!("{climb}")),
            leg.expected_h.map_or(String::new(), |hours| times::hours(hours.value())),
            clock.map_or(String::new(), |at| times::short(at, zone)),
            had.join(", "),
        ]
    };
    let mut rows: Vec<Vec<String>> = Vec::with_capacity(legs.len() + 1);
    for leg in legs.iter().enumerate() {
        rows.push(row(leg));
    }
    let km: f64 = legs.iter().map(|leg| leg.distance_km.value()).sum();
    let climb: Option<f64> = legs.iter().map(|leg| leg.climb_m.map(|climb| climb.value())).sum();
    let hours: Option<f64> = legs.iter().map(|leg| leg.expected_h.map(|hours| hours.value())).sum();
    rows.push(vec![
        String::new(),
        "in all".to_owned(),
        ((km * 1000.0).round() / 1000.0).to_string(),
        climb.map_or(String::new(), |climb| format!("{climb} m")),
        hours.map_or(String::new(), times::hours),
        String::new(),
        String::new(),
    ]);
    rows
}

/// A race in one line.
#[must_use]
pub fn line(race: &RaceBody) -> String {
    let zone = race.time_zone.as_ref().map(|zone| zone.as_str());
    let start = race.starts_at.map_or("no start yet".to_owned(), |at| times::clock(at, zone));
    let legs = count(race.legs.as_ref().map_or(0, Vec::len) as i64, "leg");
    format!("{}, {start}, {legs}", race.name)
}

/// What cannot be told for want of something.
#[must_use]
pub fn remarks(race: &RaceBody) -> Vec<String> {
    let mut remarks = Vec::new();
    let legs = race.legs.as_deref().unwrap_or_default();
    let untimed = legs.iter().filter(|leg| leg.expected_h.is_none()).count();
    if legs.is_empty() {
        remarks.push("without legs no mean mass, food and water can be told".to_owned());
    } else if untimed > 0 {
        let of = count(untimed as i64, "leg");
        remarks.push(format!("{of} without hours: no mean mass, food and water can be told"));
    }
    if !legs.iter().any(|leg| leg.from.is_some() || leg.to.is_some()) {
        remarks.push("without places (from, to) the dark hours cannot be told".to_owned());
    }
    if race.starts_at.is_some() && race.time_zone.is_none() {
        remarks.push("no time zone: its days and its clock are those of UTC".to_owned());
    }
    if let (Some(said), Some(sum)) = (race.expected_h.map(|hours| hours.value()), expected_h(race))
        && (said - sum).abs() > 0.01
    {
        let (said, sum) = (times::hours(said), times::hours(sum));
        remarks.push(format!("the race says {said}, its legs add up to {sum}; the legs count"));
    }
    remarks
}
