//! The computed answers of a runner with a long history, on the demo's plan: two seasons of twenty races each, run,
//! sealed and logged, and enough plans besides to make a hundred loadouts.

use std::time::Instant;

use domain::kinds;
use serde_json::Value;
use toml::Table;

use super::http::{self, Connection};
use super::place::Service;
use super::pushes::Pusher;
use super::report::Target;
use super::{Bench, KITROOMS, ids, median};
use crate::scenario::imports;

const PLAN: &str = include_str!("../../../fixtures/demo/scenario.toml");
const SHEETS: [&str; 2] = [
    include_str!("../../../fixtures/demo/rules-first.toml"),
    include_str!("../../../fixtures/demo/rules-second.toml"),
];
const TODAY: &str = "2026-11-20";
/// Races of each season.
const RACES: usize = 20;
const LOADOUTS: usize = 100;
/// Lines of the loadout that is judged.
const ENTRIES: usize = 40;
/// Requests of one kind; the median counts.
const REQUESTS: usize = 101;

type Fault = Box<dyn std::error::Error>;

/// The plan with the first runner's races multiplied.
fn grown() -> Result<String, Fault> {
    let mut plan: Table = toml::from_str(PLAN)?;
    let rooms = plan.get_mut("kitroom").and_then(|rooms| rooms.as_array_mut()).ok_or("no kitrooms")?;
    rooms.truncate(1);
    let room = rooms.first_mut().and_then(|room| room.as_table_mut()).ok_or("no kitroom")?;
    let items: Vec<String> = of(room, "item")?.iter().filter_map(|item| text(item, "key")).collect();
    let races = of(room, "race")?;
    let model = races.iter().find(|race| race["sealed"].as_bool() == Some(true)).ok_or("no race")?.clone();
    let mut grown = Vec::with_capacity(LOADOUTS);
    for n in 0..LOADOUTS {
        let mut race = model.as_table().cloned().ok_or("a race is no table")?;
        // The seasons of the plan end and begin about a year ago; what is not run yet lies ahead.
        let (season, sealed) = (n / RACES, n < 2 * RACES);
        let day = match season {
            0 => -700 + 16 * n as i64,
            1 => -340 + 15 * (n - RACES) as i64,
            _ => 10 + n as i64,
        };
        race.insert("name".into(), format!("race {n}").into());
        race.insert("day".into(), day.into());
        race.insert("sealed".into(), sealed.into());
        race.remove("lost");
        race.remove("ate");
        if n + 1 == LOADOUTS {
            let taken = race["take"].as_array_mut().ok_or("a race takes nothing")?;
            let keys: Vec<String> = taken.iter().filter_map(|line| line.as_str()).map(key_of).collect();
            let more =
                items.iter().filter(|key| !keys.contains(key)).map(|key| format!("{key} stowed").into());
            taken.extend(more);
            taken.truncate(ENTRIES);
        }
        grown.push(toml::Value::Table(race));
    }
    room.insert("race".into(), grown.into());
    Ok(toml::to_string(&plan)?)
}

fn of(room: &Table, name: &str) -> Result<Vec<toml::Value>, Fault> {
    Ok(room.get(name).and_then(|all| all.as_array()).ok_or_else(|| format!("no {name}"))?.clone())
}

fn text(value: &toml::Value, name: &str) -> Option<String> {
    Some(value.get(name)?.as_str()?.to_owned())
}

fn key_of(line: &str) -> String {
    line.split([' ', '*']).next().unwrap_or_default().to_owned()
}

/// What the plan makes, as the records that a device sends.
struct Book {
    records: Vec<(String, Value)>,
}

impl Book {
    fn of_the_plan() -> Result<Self, Fault> {
        let made = imports(&grown()?, &SHEETS.map(str::to_owned), TODAY.parse()?)?;
        let file = made.first().ok_or("the plan makes no file")?;
        let records = file.text.lines().skip(1).map(|line| {
            let mut line: Value = serde_json::from_str(line)?;
            Ok((line["kind"].as_str().unwrap_or_default().to_owned(), line["record"].take()))
        });
        Ok(Self { records: records.collect::<Result<_, Fault>>()? })
    }

    fn named(&self, kind: &str, name: &str) -> Result<String, String> {
        let mut of_kind = self.records.iter().filter(|(one, _)| one == kind).map(|(_, record)| record);
        let found = of_kind.find(|record| record["name"] == name).and_then(|record| record["id"].as_str());
        found.map(str::to_owned).ok_or_else(|| format!("the plan has no {kind} {name}"))
    }

    async fn send(&self, pusher: &mut Pusher) -> Result<(), String> {
        let mut ops = Vec::with_capacity(self.records.len());
        for (name, record) in &self.records {
            let kind = kinds::kind(name).ok_or_else(|| format!("there is no kind {name}"))?;
            let action = if kind.is_fact() { "append" } else { "create" };
            let mut body = record.clone();
            let id = body.as_object_mut().and_then(|body| body.remove("id"));
            let id = id.as_ref().and_then(Value::as_str).ok_or("a record has no id")?.to_owned();
            ops.push((kind.name, action, id, body.to_string()));
        }
        for part in ops.chunks(500) {
            pusher.push(part).await?;
        }
        Ok(())
    }
}

/// The median of the milliseconds that a request takes on a kept connection.
async fn milliseconds(service: &Service, kitroom: u64, path: &str) -> Result<f64, String> {
    let mut connection = Connection::open(&service.address).await?;
    let request = http::get(&format!("/v1/kitrooms/{}/{path}", ids::kitroom(kitroom)), &ids::token(kitroom));
    let mut times = Vec::with_capacity(REQUESTS);
    for _ in 0..REQUESTS {
        let begun = Instant::now();
        let answer = connection.send(&request).await?;
        times.push(begun.elapsed().as_secs_f64() * 1000.0);
        if answer.status != 200 {
            let said = String::from_utf8_lossy(answer.body);
            return Err(format!("{path}: status {}: {said}", answer.status));
        }
    }
    Ok(median(times))
}

pub(super) async fn measure(bench: &mut Bench, service: &Service) -> Result<(), String> {
    let kitroom = KITROOMS + 4;
    let book = Book::of_the_plan().map_err(|error| error.to_string())?;
    book.send(&mut Pusher::open(service, kitroom).await?).await?;
    let (last, this) = (book.named("season", "last season")?, book.named("season", "this season")?);
    let judged = book.named("loadout", &format!("race {}", LOADOUTS - 1))?;
    for (what, path, limit) in [
        (format!("verdicts of {ENTRIES} lines"), format!("loadouts/{judged}/verdicts"), 5.0),
        (format!("mass of {ENTRIES} lines"), format!("loadouts/{judged}/mass"), f64::NAN),
        (
            format!("list of {LOADOUTS} loadouts with masses"),
            format!("loadout-masses?limit={LOADOUTS}"),
            20.0,
        ),
        (format!("ledger of two seasons of {RACES} races"), format!("ledger?from={last}&to={this}"), 50.0),
        ("list of what needs attention".to_owned(), "attention".to_owned(), f64::NAN),
    ] {
        let median = milliseconds(service, kitroom, &path).await?;
        let target = if limit.is_nan() { Target::None } else { Target::AtMost(limit) };
        bench.report.number(what, median, "ms", target);
    }
    bench.report.note(format!("The runner of the loadouts has {} records.", book.records.len()));
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn grown_plan_has_two_full_seasons_and_a_loadout_of_forty_lines() {
        let book = Book::of_the_plan().unwrap();
        let of = |kind: &str| book.records.iter().filter(|(one, _)| one == kind).count();
        assert_eq!((of("loadout"), of("seal")), (LOADOUTS, 2 * RACES));
        let judged = book.named("loadout", &format!("race {}", LOADOUTS - 1)).unwrap();
        let lines = book.records.iter().filter(|(_, record)| record["loadout_id"] == judged.as_str());
        assert_eq!(lines.filter(|(kind, _)| kind == "loadout_entry").count(), ENTRIES);
    }
}
