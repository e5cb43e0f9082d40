//! The plan as `fixtures/demo/scenario.toml` spells it.

use std::collections::BTreeMap;

use serde::Deserialize;
use serde_json::Value;

/// The whole of it.
#[derive(Debug, Deserialize)]
pub struct Plan {
    /// The courses of the races.
    pub course: Vec<Course>,
    /// Whose kit.
    pub kitroom: Vec<Kitroom>,
}

/// A course.
#[derive(Debug, Deserialize)]
pub struct Course {
    /// What races call it by.
    pub key: String,
    /// Its name.
    pub name: String,
    /// The time zone of its clock.
    pub time_zone: String,
    /// Its legs, as a race has them.
    pub legs: Value,
}

/// A kitroom and all that happened in it.
#[derive(Debug, Deserialize)]
pub struct Kitroom {
    /// The name of its file.
    pub key: String,
    /// Its name.
    pub name: String,
    /// `personal` or `club`.
    pub purpose: String,
    /// Where its chance begins.
    pub seed: u64,
    /// The name of its scale, which reads to 1 g.
    pub scale: String,
    /// The days at the scale.
    pub sittings: Vec<i64>,
    /// By how many grams the scale was wrong on each.
    pub offsets: Vec<f64>,
    /// Its seasons.
    pub seasons: Vec<Season>,
    /// Its kit.
    #[serde(default)]
    pub item: Vec<Item>,
    /// The pockets of its vests.
    #[serde(default)]
    pub pocket: Vec<Value>,
    /// Its races.
    #[serde(default)]
    pub race: Vec<Race>,
}

/// A season.
#[derive(Debug, Deserialize)]
pub struct Season {
    /// Its name.
    pub name: String,
    /// Its first day.
    pub from: i64,
    /// Its last day.
    pub to: i64,
}

/// An item: what happened to it, and in `body` its own fields.
#[derive(Debug, Deserialize)]
pub struct Item {
    /// What the plan calls it by.
    pub key: String,
    /// Its true mass.
    pub grams: f64,
    /// How that drifts.
    #[serde(default)]
    pub grams_per_year: f64,
    /// The day it came.
    pub since: i64,
    /// The day it was retired.
    pub until: Option<i64>,
    /// Why.
    pub reason: Option<String>,
    /// Hours worn in training each week.
    pub weekly_h: Option<f64>,
    /// A wash every so many days.
    pub wash_every_d: Option<i64>,
    /// The last day on which it counts.
    pub expires_in_d: Option<i64>,
    /// Single facts of its history, each with its `day`.
    #[serde(default)]
    pub log: Vec<Value>,
    /// Movements of its stock, each with its `day`.
    #[serde(default)]
    pub stock: Vec<Value>,
    /// The item's own fields.
    #[serde(flatten)]
    pub body: BTreeMap<String, Value>,
}

/// A race and what was taken to it.
#[derive(Debug, Deserialize)]
pub struct Race {
    /// Its name.
    pub name: String,
    /// Its day.
    pub day: i64,
    /// The clock at its start, UTC.
    pub start: String,
    /// Its course.
    pub course: String,
    /// The edition of its rules.
    pub sheet: String,
    /// The sets that the organiser has switched on.
    #[serde(default)]
    pub active_sets: Vec<String>,
    /// Whether it is run: then its loadout is sealed and logged.
    pub sealed: bool,
    /// Hours in the wet.
    pub wet_h: f64,
    /// What was eaten of it.
    #[serde(default)]
    pub ate: BTreeMap<String, i64>,
    /// What was lost.
    pub lost: Option<String>,
    /// What was taken: `KEY[*N] PLACE[/POCKET] [fill=ML] [reserve] [locked]`.
    pub take: Vec<String>,
}
