//! A race by questions. An answer that cannot be right is asked for again at once.

use domain::kinds::rule_sheet;
use domain::time_zone;
use domain::wire::race::MAX_LEGS;
use domain::wire::shape::Object;
use serde_json::{Value, json};

use super::{file, times};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::{Kitroom, Store, named};

/// Asks.
///
/// # Errors
/// When the input ends, or what was answered does not fit together.
pub fn questions(app: &mut App<'_>, store: &Store, room: &Kitroom) -> Result<Object> {
    let mut race = Object::new();
    app.ui.say("a race; Enter leaves out what is not known yet");
    let name = asked(app, "its name > ", |text| Ok(Some(json!(text))))?
        .ok_or_else(|| Error::refused("nothing was done").because("a race needs a name"))?;
    race.insert("name".to_owned(), name);
    let zone = asked(app, "its time zone, as in Europe/Paris > ", |text| match time_zone::find(text) {
        Some(_) => Ok(Some(json!(text))),
        None => Err(format!("{text} is no time zone of the IANA database; an example is Europe/Paris")),
    })?;
    let zone_name = zone.as_ref().and_then(|zone| zone.as_str().map(str::to_owned));
    let starts = asked(app, "its start there, as in 2026-08-28 06:00 > ", |text| {
        times::read(text, zone_name.as_deref()).map(|at| Some(json!(at)))
    })?;
    put(&mut race, "time_zone", zone);
    put(&mut race, "starts_at", starts);
    let sheets = store.live(room.id, &rule_sheet::KIND)?;
    if !sheets.is_empty() {
        for (at, sheet) in sheets.iter().enumerate() {
            app.ui.say(&format!("  {:>2}  {}", at + 1, named::label(sheet)));
        }
        let sheet = asked(app, "its rule sheet, by number > ", |text| {
            let number = text.parse::<usize>().ok().filter(|n| (1..=sheets.len()).contains(n));
            number.map(|n| Some(json!(sheets[n - 1].id))).ok_or_else(|| format!("there is no number {text}"))
        })?;
        put(&mut race, "rule_sheet_id", sheet);
    }
    app.ui.say("its legs, from one checkpoint to the next; Enter at a leg's end when there are no more");
    let legs = legs(app)?;
    let timed = !legs.is_empty() && legs.iter().all(|leg| leg.get("expected_h").is_some());
    if !timed {
        put(&mut race, "expected_h", asked(app, "hours expected in all > ", hours)?);
    }
    if !legs.is_empty() {
        race.insert("legs".to_owned(), Value::Array(legs));
    }
    file::fields(&race, None, &mut |_| Err("no sheet".to_owned())).map_err(|errors| {
        let words: Vec<String> = errors.iter().map(file::in_words).collect();
        Error::refused("the race was not saved").because(words.join("; "))
    })
}

fn legs(app: &mut App<'_>) -> Result<Vec<Value>> {
    let mut legs = Vec::new();
    while legs.len() < MAX_LEGS {
        let prompt = format!("leg {} ends at > ", legs.len() + 1);
        let Some(name) = asked(app, &prompt, |text| Ok(Some(json!(text))))? else { break };
        let mut leg = Object::from_iter([("name".to_owned(), name)]);
        let length = loop {
            match asked(app, "  km > ", |text| positive(text, "km"))? {
                Some(length) => break length,
                None => app.ui.say("  a leg needs a length"),
            }
        };
        leg.insert("distance_km".to_owned(), length);
        put(&mut leg, "climb_m", asked(app, "  climb in m > ", |text| number(text, "m"))?);
        put(&mut leg, "expected_h", asked(app, "  hours, stops included, as in 3:30 or 3.5 > ", hours)?);
        let refill = asked(app, "  to be had there: w water, f food, d drop bag, as in wf > ", |text| {
            let letters: Vec<char> = text.to_lowercase().chars().filter(|c| c.is_alphabetic()).collect();
            if letters.iter().any(|letter| !['w', 'f', 'd'].contains(letter)) {
                return Err("only the letters w, f and d".to_owned());
            }
            let has = |letter| letters.contains(&letter);
            Ok(Some(json!({ "water": has('w'), "food": has('f'), "drop_bag": has('d') })))
        })?;
        put(&mut leg, "refill", refill);
        legs.push(Value::Object(leg));
    }
    Ok(legs)
}

fn put(object: &mut Object, field: &str, value: Option<Value>) {
    if let Some(value) = value {
        object.insert(field.to_owned(), value);
    }
}

/// Asks until the answer is left out or can be read.
fn asked(
    app: &mut App<'_>,
    prompt: &str,
    read: impl Fn(&str) -> std::result::Result<Option<Value>, String>,
) -> Result<Option<Value>> {
    loop {
        let Some(answer) = app.ui.ask(prompt)? else { return Ok(None) };
        let answer = answer.trim();
        if answer.is_empty() {
            return Ok(None);
        }
        match read(answer) {
            Ok(value) => return Ok(value),
            Err(why) => app.ui.say(&format!("  {why}")),
        }
    }
}

fn number(text: &str, unit: &str) -> std::result::Result<Option<Value>, String> {
    let text = text.trim_end_matches(unit).trim().replace(',', ".");
    let number = text.parse::<f64>().ok().filter(|n| n.is_finite() && *n >= 0.0);
    let number = number.ok_or_else(|| format!("{text} is no number of {unit}"))?;
    Ok(Some(json!((number * 1000.0).round() / 1000.0)))
}

fn positive(text: &str, unit: &str) -> std::result::Result<Option<Value>, String> {
    match number(text, unit)? {
        Some(value) if value.as_f64() == Some(0.0) => Err(format!("it must be above 0 {unit}")),
        value => Ok(value),
    }
}

/// `3:30`, `3.5`, `3,5 h`.
pub(crate) fn read_hours(text: &str) -> std::result::Result<f64, String> {
    let bare = text.trim().trim_end_matches('h').trim();
    let hours = match bare.split_once(':') {
        Some((hours, minutes)) => {
            let minutes = minutes.parse::<u32>().ok().filter(|minutes| *minutes < 60);
            hours.parse::<u32>().ok().zip(minutes).map(|(h, m)| f64::from(h) + f64::from(m) / 60.0)
        }
        None => bare.replace(',', ".").parse::<f64>().ok().filter(|hours| hours.is_finite() && *hours >= 0.0),
    };
    let hours = hours.ok_or_else(|| format!("{text} is no number of hours; write it as in 3:30 or 3.5"))?;
    Ok((hours * 1000.0).round() / 1000.0)
}

fn hours(text: &str) -> std::result::Result<Option<Value>, String> {
    match read_hours(text)? {
        0.0 => Err("it must be above 0 h".to_owned()),
        hours => Ok(Some(json!(hours))),
    }
}
