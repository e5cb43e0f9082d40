//! The invented scenario of the demo: from the plan in `fixtures/demo` to files that `tare import` takes in.

pub mod book;
pub mod kit;
pub mod plan;
pub mod races;

use chrono::{NaiveDate, NaiveTime};
use serde_json::json;

use self::book::{Book, PlanError, Result};
use self::plan::Plan;

/// A file for `tare import`.
#[derive(Debug)]
pub struct Import {
    /// The name of the file, without its ending.
    pub key: String,
    /// The kitroom's name.
    pub name: String,
    /// `personal` or `club`.
    pub purpose: String,
    /// Its text.
    pub text: String,
}

/// Makes the files. `sheets` are the editions of the rule sheet.
///
/// # Errors
/// In words, when the plan cannot be read or a record is refused.
pub fn imports(plan: &str, sheets: &[String], today: NaiveDate) -> Result<Vec<Import>> {
    let plan: Plan = toml::from_str(plan).map_err(|error| PlanError(error.to_string()))?;
    plan.kitroom.iter().map(|room| import(&plan, room, sheets, today)).collect()
}

fn import(plan: &Plan, room: &plan::Kitroom, sheets: &[String], today: NaiveDate) -> Result<Import> {
    let mut book = Book::new(today, room.seed);
    let items = kit::items(&mut book, room)?;
    kit::weighings(&mut book, room, &items)?;
    kit::history(&mut book, room, &items)?;
    for season in &room.seasons {
        let at = book.at(season.from, "12:00")?;
        let (from, to) = (book.day(season.from), book.day(season.to));
        book.add("season", at, json!({ "name": season.name, "from_on": from, "to_on": to }))?;
    }
    let sheets = races::sheets(&mut book, sheets)?;
    let pockets = races::pockets(&mut book, room, &items)?;
    let found = races::Found { items, pockets, sheets };
    for race in &room.race {
        races::race(&mut book, plan, race, &found)?;
    }
    let now = today.and_time(NaiveTime::MIN).and_utc();
    let text = book.lines(&room.name, &room.purpose, now);
    Ok(Import { key: room.key.clone(), name: room.name.clone(), purpose: room.purpose.clone(), text })
}
