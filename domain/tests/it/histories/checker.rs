//! What must hold of every history, at each step and after everything has healed. The numbers I1 to I17 are those of the
//! invariants in the project's description of its sync.

use std::collections::{BTreeMap, HashMap, HashSet};

use domain::kinds;
use domain::sync::op::{Action, Op, OpStatus};
use domain::sync::record::{Lookup, Stored};
use serde_json::Value;
use uuid::Uuid;

use super::device::Device;
use super::server::Decided;
use super::world::{Fault, World};

/// At every moment, for each device.
pub fn always(world: &World, at: usize, device: &Device) -> Vec<String> {
    let mut found = Vec::new();
    let Some(kept) = &device.disk.kept else { return found };
    let fits = kept.cursor.as_deref().is_some_and(|cursor| {
        world.server.place_of(cursor).is_ok_and(|place| !place.has_expired(world.server.floor))
    });
    if kept.replace.is_none() && fits && world.is_member(device) {
        // I3: nothing up to the cursor is missing, whatever was being committed meanwhile.
        for (key, record) in &world.server.records {
            let row = device.disk.base.get(key);
            let as_it_is = row.map_or(record.deleted, |row| row.seq == record.version);
            if record.version <= kept.base_seq && !as_it_is {
                let has = row.map(|row| row.seq);
                let words = format!("I3: device {at} is at {} and has {key:?} at {has:?}", kept.base_seq);
                found.push(format!("{words}, the service at {}", record.version));
            }
        }
    }
    // I9: what somebody has weighed here is seen here, sent or not.
    if device.disk.outbox.iter().any(|kept| kept.op.kind == "weighing") {
        let view = device.view();
        for op in device.disk.outbox.iter().map(|kept| &kept.op).filter(|op| alone(device, op)) {
            let item = kinds::reference_id(&op.payload, "item_id");
            let has_item = item.is_some_and(|item| view.get("item", item).is_some());
            let replaced = kinds::reference_id(&op.payload, "supersedes_id");
            let whole = replaced.is_none_or(|old| view.get("weighing", old).is_some());
            if op.action == Action::Append && op.kind == "weighing" && has_item && whole {
                let shown = view.get("weighing", op.record_id).is_some();
                if !shown {
                    found.push(format!("I9: device {at} does not show its weighing {}", op.record_id));
                }
            }
        }
    }
    found
}

fn alone(device: &Device, op: &Op) -> bool {
    device.disk.outbox.iter().filter(|kept| kept.op.group == op.group).count() == 1
}

/// The invariants that [`always`] and [`finally`] look at in a history. What a service or a device has lost with a
/// backup cannot be held to those that speak of all that was ever taken.
pub fn looked_at(world: &World) -> Vec<&'static str> {
    let mut names = vec!["I3", "I4", "I5", "I9", "I13", "I17"];
    if !world.removed.is_empty() {
        names.push("I12");
    }
    if !world.restored {
        names.extend(["I2", "I6", "I7", "I11"]);
    } else if keeps_all(world) {
        names.push("I16");
    }
    names
}

/// Whether every device still has what it ever had.
fn keeps_all(world: &World) -> bool {
    !world.fired.contains_key(&Fault::DeviceRestored) && world.removed.is_empty()
}

/// After everything has healed.
pub fn finally(world: &World) -> Vec<String> {
    let mut found = Vec::new();
    for (at, device) in world.devices.iter().enumerate() {
        if world.is_member(device) {
            converged(world, at, device, &mut found);
        } else if !device.disk.base.is_empty() {
            found.push(format!("I12: device {at} keeps records of a kitroom that it was removed from"));
        }
    }
    dense(world, &mut found);
    accounted(world, &mut found);
    if world.restored {
        survived(world, &mut found);
    } else {
        once(world, &mut found);
        facts(world, &mut found);
        no_resurrection(world, &mut found);
        no_value_lost(world, &mut found);
    }
    found
}

/// I5: every replica holds what the service holds, and the digests say so.
fn converged(world: &World, at: usize, device: &Device, found: &mut Vec<String>) {
    let base = &device.disk.base;
    for (key, record) in &world.server.records {
        let Some(row) = base.get(key) else {
            // Nobody is told of what was deleted before they began to read.
            if !record.deleted {
                found.push(format!("I5: device {at} lacks {key:?}"));
            }
            continue;
        };
        let same = row.seq == record.version
            && row.deleted == record.deleted
            && (record.deleted || row.record.as_ref() == Some(&record.to_wire()));
        if !same {
            found.push(format!("I5: device {at} has another {key:?}"));
        }
    }
    for key in base.keys().filter(|key| !world.server.records.contains_key(*key)) {
        found.push(format!("I5: device {at} has {key:?}, which the service does not"));
    }
    if device.digest() != world.server.digest() {
        found.push(format!("I5: device {at} has another digest"));
    }
}

/// I4: no number is given twice, none lies beyond the head.
fn dense(world: &World, found: &mut Vec<String>) {
    let mut seen = HashSet::new();
    for (key, record) in &world.server.records {
        if !seen.insert(record.version) || record.version > world.server.head {
            found.push(format!("I4: {key:?} stands at {}", record.version));
        }
    }
}

/// I13: every op that a person made was decided, or waits, or is kept with the reason.
fn accounted(world: &World, found: &mut Vec<String>) {
    let decided: HashSet<Uuid> = world.server.decided.iter().map(|one| one.op.op_id).collect();
    let mut kept: HashSet<Uuid> = HashSet::new();
    for device in &world.devices {
        kept.extend(device.disk.outbox.iter().map(|one| one.op.op_id));
        kept.extend(device.disk.rejected.iter().map(|(op, _)| op.op_id));
        kept.extend(device.disk.exported.iter().map(|op| op.op_id));
    }
    let gone = |op: &Uuid| world.lost_with_device.contains(op);
    for (at, op) in &world.made {
        if !decided.contains(&op.op_id) && !kept.contains(&op.op_id) && !gone(&op.op_id) {
            found.push(format!("I13: the {} {:?} of device {at} is nowhere", op.kind, op.action));
        }
    }
    // A refusal is not a deletion: who made it still has it, with the reason.
    for (at, op) in &world.made {
        let refused =
            world.server.applied.get(&op.op_id).is_some_and(|(_, r)| r.status == OpStatus::Rejected);
        let unheard = !world.heard.contains_key(&op.op_id);
        if refused && !unheard && !kept.contains(&op.op_id) && !gone(&op.op_id) && !world.restored {
            found.push(format!("I13: device {at} has forgotten its refused {} {:?}", op.kind, op.action));
        }
    }
}

/// I2: nothing is done twice.
fn once(world: &World, found: &mut Vec<String>) {
    let mut seen = HashSet::new();
    for one in &world.server.decided {
        if !seen.insert(one.op.op_id) {
            found.push(format!("I2: {} was decided twice", one.op.op_id));
        }
    }
}

fn taken(one: &Decided) -> bool {
    matches!(one.result.status, OpStatus::Applied | OpStatus::Merged | OpStatus::Conflict)
}

/// I1 and I7: a fact that was taken is there, as it was given.
fn facts(world: &World, found: &mut Vec<String>) {
    for one in world.server.decided.iter().filter(|one| one.op.action == Action::Append && taken(one)) {
        let Some(kind) = kinds::kind(&one.op.kind) else { continue };
        let body = (kind.normalise)(&one.op.payload).unwrap_or_default();
        let record = world.server.records.get(&(kind.name, one.op.record_id));
        if record.is_none_or(|record| record.body != body) {
            found.push(format!("I7: the {} {} is not as it was given", kind.name, one.op.record_id));
        }
    }
}

/// I11: what was deleted lives again only when somebody says so.
fn no_resurrection(world: &World, found: &mut Vec<String>) {
    let mut deleted: BTreeMap<Uuid, bool> = BTreeMap::new();
    let mut settled = false;
    for one in world.server.decided.iter().filter(|one| taken(one)) {
        let noted = one.result.status == OpStatus::Conflict;
        match one.op.action {
            Action::Delete if !noted => drop(deleted.insert(one.op.record_id, true)),
            Action::Restore => drop(deleted.insert(one.op.record_id, false)),
            Action::Settle => settled = true,
            _ => {}
        }
    }
    if settled {
        return;
    }
    for (id, deleted) in deleted.into_iter().filter(|(_, deleted)| *deleted) {
        let record = world.server.records.get(&("item", id));
        if record.is_none_or(|record| record.deleted != deleted) {
            found.push(format!("I11: item {id} is not deleted any more"));
        }
    }
}

/// The unit of a write and its value as text that nobody else has written.
fn values(op: &Op) -> Vec<(String, String)> {
    let mut values = Vec::new();
    for (field, value) in &op.payload {
        match value {
            Value::Object(map) => {
                let each = map.iter().filter_map(|(key, value)| Some((key, value.as_str()?)));
                values.extend(each.map(|(key, value)| (format!("{field}.{key}"), value.to_owned())));
            }
            Value::String(text) if ["name", "size", "tag", "notes", "note"].contains(&field.as_str()) => {
                values.push((field.clone(), text.clone()));
            }
            _ => {}
        }
    }
    values
}

fn body_of(record: &Stored) -> String {
    serde_json::to_string(&record.body).unwrap_or_default()
}

/// I6: every value that was taken stands, or was replaced by somebody who had seen it, or is in a conflict.
fn no_value_lost(world: &World, found: &mut Vec<String>) {
    let mut by_record: HashMap<Uuid, Vec<&Decided>> = HashMap::new();
    for one in world.server.decided.iter().filter(|one| taken(one)) {
        by_record.entry(one.op.record_id).or_default().push(one);
    }
    let conflicts: Vec<(&Value, String)> = world
        .server
        .records
        .iter()
        .filter(|(key, _)| key.0 == "conflict")
        .filter_map(|(_, conflict)| {
            let text = serde_json::to_string(&conflict.body).ok()?;
            Some((conflict.body.get("record_id")?, text))
        })
        .collect();
    for (id, writes) in &by_record {
        let Some(kind) = kinds::kind(&writes[0].op.kind) else { continue };
        if kind.is_fact() || kind.name == "conflict" {
            continue;
        }
        let record = world.server.records.get(&(kind.name, *id));
        let stands = record.map(body_of);
        for (n, write) in writes.iter().enumerate() {
            for (unit, value) in values(&write.op) {
                let quoted = format!("\"{value}\"");
                let there = stands.as_ref().is_some_and(|body| body.contains(&quoted));
                let contested = conflicts.iter().any(|(_, text)| text.contains(&quoted));
                // The answer to an op of which a part was held back names the change of its conflict; what was written
                // stands since the record's.
                let written = write.after.as_ref().filter(|record| body_of(record).contains(&quoted));
                let seq = written.map(|record| record.version).or(write.result.seq);
                let seq = seq.unwrap_or(write.before + 1);
                let replaced = writes[n + 1..].iter().any(|later| {
                    let touches = later.op.action == Action::Delete
                        || values(&later.op).iter().any(|(other, _)| *other == unit);
                    touches && (later.op.base_seq >= seq || later.replica == write.replica)
                });
                if !there && !contested && !replaced {
                    let by = write.result.status;
                    found.push(format!("I6: {unit} = {value} of {} {id} is nowhere ({by:?})", kind.name));
                }
            }
        }
    }
}

/// I16: a service that was put back to before takes nothing from anybody without a person's yes.
fn survived(world: &World, found: &mut Vec<String>) {
    if !keeps_all(world) {
        return;
    }
    let mut there: HashSet<Uuid> = world.server.records.keys().map(|key| key.1).collect();
    for device in &world.devices {
        there.extend(device.disk.candidates.iter().map(|one| one.key.1));
        there.extend(device.disk.outbox.iter().map(|one| one.op.record_id));
        there.extend(device.disk.rejected.iter().map(|(op, _)| op.record_id));
    }
    let made = world.server.decided.iter().filter(|one| one.op.action == Action::Append && taken(one));
    for one in made.filter(|one| world.heard.contains_key(&one.op.op_id)) {
        if !there.contains(&one.op.record_id) {
            found.push(format!("I16: the {} {} is nowhere", one.op.kind, one.op.record_id));
        }
    }
}
