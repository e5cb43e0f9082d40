//! What the records of an export come to, given what is here already.

use std::collections::{HashMap, HashSet};

use domain::kinds::{KINDS, reference_id};
use domain::sync::op::Action;
use domain::wire::shape::Object;
use uuid::Uuid;

use super::lines::{Exported, Line};
use super::{Bad, Plan};
use crate::commands::order;
use crate::error::Result;
use crate::local::{Draft, Kitroom, Store};

/// The changes that bring the records in: each after those that it refers to, then what is voided and deleted.
///
/// # Errors
/// When the store cannot be read.
pub fn plan(store: &Store, room: &Kitroom, file: Exported) -> Result<Plan> {
    let mut plan = Plan { bad: file.bad, ..Plan::default() };
    let mut bad_ids: HashMap<(&str, Uuid), u64> = HashMap::new();
    let here: HashSet<(&str, Uuid)> = file.lines.iter().map(|line| (line.kind.name, line.id)).collect();
    let mut fresh: Vec<&Line> = Vec::new();
    for kind in KINDS {
        let lines: Vec<&Line> = file.lines.iter().filter(|line| line.kind.name == kind.name).collect();
        let bodies: Vec<(Uuid, &Object)> = lines.iter().map(|line| (line.id, &line.body)).collect();
        for at in order::by_reference(kind, &bodies) {
            let line = lines[at];
            match store.record(room.id, kind, line.id)? {
                Some(stored) => {
                    let same = stored.body == line.body
                        && stored.voided.is_some() == line.voided.is_some()
                        && stored.deleted == line.deleted;
                    if same {
                        plan.already += 1;
                    } else {
                        plan.differing.push(name(line));
                    }
                }
                None => match dangling(store, room, line, &here, &bad_ids)? {
                    Some(why) => {
                        bad_ids.insert((kind.name, line.id), line.number);
                        plan.bad.push(Bad { line: line.number, why });
                    }
                    None => fresh.push(line),
                },
            }
        }
    }
    plan.made = fresh.len() as i64;
    let mut add = |draft: Draft, line: &Line| {
        plan.drafts.push(draft);
        plan.lines.push(line.number);
    };
    for line in &fresh {
        if let Some(action) = order::making(line.kind) {
            add(Draft { kind: line.kind, record_id: line.id, action, payload: line.body.clone() }, line);
        }
    }
    for line in &fresh {
        if let Some(reason) = &line.voided {
            add(Draft::void(line.kind, line.id, reason), line);
        }
    }
    let needed: HashSet<(&str, Uuid)> = fresh
        .iter()
        .filter(|line| !line.deleted && line.voided.is_none())
        .flat_map(|line| line.kind.references(&line.body).map(|(reference, id)| (reference.kind, id)))
        .collect();
    // What refers goes before what it refers to.
    for line in fresh.iter().rev().filter(|line| line.deleted) {
        if needed.contains(&(line.kind.name, line.id)) {
            plan.revived += 1;
        } else {
            add(
                Draft { kind: line.kind, record_id: line.id, action: Action::Delete, payload: Object::new() },
                line,
            );
        }
    }
    Ok(plan)
}

/// Why a record cannot stand: what it refers to is neither here nor in the file, or is bad itself. Said once, where it
/// begins, and not as a fault of each record that hangs on it.
fn dangling(
    store: &Store,
    room: &Kitroom,
    line: &Line,
    here: &HashSet<(&str, Uuid)>,
    bad: &HashMap<(&str, Uuid), u64>,
) -> Result<Option<String>> {
    for (reference, id) in line.kind.references(&line.body) {
        if let Some(number) = bad.get(&(reference.kind, id)) {
            return Ok(Some(format!("its {} is line {number}, which is bad", reference.kind)));
        }
        let Some(kind) = domain::kinds::kind(reference.kind) else { continue };
        if !here.contains(&(reference.kind, id)) && store.record(room.id, kind, id)?.is_none() {
            return Ok(Some(format!(
                "{}: there is no {} {id} in the file or in {}",
                reference.field, reference.kind, room.name
            )));
        }
    }
    Ok(None)
}

/// What a record is called.
fn name(line: &Line) -> String {
    let text = line.body.get("name").and_then(serde_json::Value::as_str).map(str::to_owned);
    let of = || reference_id(&line.body, "item_id").map(|_| format!("line {}", line.number));
    let what = line.kind.name.replace('_', " ");
    match text.or_else(of) {
        Some(text) => format!("{what} {text}"),
        None => format!("{what}, line {}", line.number),
    }
}
