//! The lines of an export.

use std::collections::HashMap;

use domain::ids::parse_v7;
use domain::kinds::{self, Kind};
use domain::wire::shape::Object;
use serde_json::Value;
use uuid::Uuid;

use super::{Bad, nothing};
use crate::commands::export::{FORMAT, MARK};
use crate::commands::order;
use crate::error::{Error, Result, reasons};

/// A record of the file.
#[derive(Debug)]
pub struct Line {
    /// Its number, from 1.
    pub number: u64,
    /// Its kind.
    pub kind: &'static Kind,
    /// Its id.
    pub id: Uuid,
    /// What its kind stores, in canonical spelling.
    pub body: Object,
    /// Why it was voided.
    pub voided: Option<String>,
    /// Whether it was deleted.
    pub deleted: bool,
}

/// A file that was read.
#[derive(Debug)]
pub struct Exported {
    /// The name of the kitroom it came from.
    pub name: String,
    /// Whether that was a club's.
    pub is_club: bool,
    /// The records that can be read.
    pub lines: Vec<Line>,
    /// The lines that cannot.
    pub bad: Vec<Bad>,
}

/// Reads an export.
///
/// # Errors
/// When the first line does not say that it is one, or it comes from a later version.
pub fn read(text: &str) -> Result<Exported> {
    let mut numbered = text.lines().zip(1_u64..).filter(|(line, _)| !line.trim().is_empty());
    let (first, _) = numbered.next().ok_or_else(|| nothing().because("the file is empty"))?;
    let head: Value = serde_json::from_str(first).map_err(|error| {
        nothing()
            .because(format!("line 1 is no JSON: {error}"))
            .hint("a file of tare export, or a table of items")
    })?;
    match head.get(MARK).and_then(Value::as_u64) {
        Some(FORMAT) => {}
        Some(format) => return Err(later(format)),
        None => {
            return Err(nothing()
                .because(format!("line 1 has no {MARK}, so the file is no export"))
                .hint("a file of tare export, or a table of items"));
        }
    }
    let of_room = |field: &str| head["kitroom"][field].as_str().unwrap_or_default().to_owned();
    let mut file = Exported {
        name: of_room("name"),
        is_club: of_room("purpose") == "club",
        lines: Vec::new(),
        bad: Vec::new(),
    };
    let mut seen: HashMap<(&str, Uuid), u64> = HashMap::new();
    for (text, number) in numbered {
        match line(text, number) {
            Ok(line) => match seen.insert((line.kind.name, line.id), number) {
                None => file.lines.push(line),
                Some(earlier) => {
                    file.bad.push(Bad { line: number, why: format!("the record of line {earlier} again") })
                }
            },
            Err(why) => file.bad.push(Bad { line: number, why }),
        }
    }
    if let Some(records) = head.get("records").and_then(Value::as_u64) {
        let found = (file.lines.len() + file.bad.len()) as u64;
        if found < records {
            return Err(nothing()
                .because(format!(
                    "line 1 says {records} records, and {found} are there: the file is cut short"
                ))
                .hint("export again"));
        }
    }
    Ok(file)
}

fn later(format: u64) -> Error {
    nothing()
        .because(format!("the export has format {format}, this version knows {FORMAT}"))
        .hint("use the tare that wrote it, or a newer one")
}

fn line(text: &str, number: u64) -> Result<Line, String> {
    let value: Value = serde_json::from_str(text).map_err(|error| format!("no JSON: {error}"))?;
    let name = value.get("kind").and_then(Value::as_str).ok_or("it has no kind")?;
    let kind = kinds::kind(name).ok_or_else(|| format!("this version knows no kind {name}"))?;
    if order::making(kind).is_none() {
        return Err(format!("a {name} is made by the service and cannot be taken in"));
    }
    let mut body = value.get("record").and_then(Value::as_object).cloned().ok_or("it has no record")?;
    let id = body.remove("id").ok_or("the record has no id")?;
    let id =
        id.as_str().ok_or("the id is no text").map(parse_v7)?.map_err(|error| format!("the id: {error}"))?;
    let voided = match body.remove("voided") {
        None | Some(Value::Null) => None,
        Some(voided) => Some(voided["reason"].as_str().unwrap_or("voided before the export").to_owned()),
    };
    if voided.is_some() && !kind.is_fact() {
        return Err(format!("a {name} is deleted, not voided"));
    }
    // These are given anew by whoever takes the record in.
    for given in ["version", "created_by", "recorded_at", "recorded_by", "time_suspect"] {
        body.remove(given);
    }
    let body = (kind.normalise)(&body)
        .map_err(|errors| reasons(&domain::wire::problem::Problem::invalid(errors)))?;
    let deleted = value.get("deleted").and_then(Value::as_bool).unwrap_or(false);
    if deleted && kind.is_fact() {
        return Err(format!("a {name} is voided, not deleted"));
    }
    Ok(Line { number, kind, id, body, voided, deleted })
}
