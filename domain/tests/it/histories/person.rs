//! What a person does on a device: one to three ops, made from what the device shows. Every value is unique, so that a
//! stored value names who wrote it.

use domain::condition::{StateEvent, item_state};
use domain::kinds;
use domain::sync::op::{Action, Op};
use domain::sync::record::{Lookup, Stored};
use domain::sync::working::Working;
use domain::time::Timestamp;
use domain::wire::shape::Object;
use serde_json::{Value, json};
use uuid::Uuid;

use super::chance::Chance;
use super::device::Device;
use super::server::Key;

/// What the device shows, in a fixed order.
struct Shown {
    view: Working,
    keys: Vec<Key>,
}

impl Shown {
    fn of(device: &Device) -> Self {
        let mut keys: Vec<Key> = device.disk.base.keys().copied().collect();
        let made = device.disk.outbox.iter().map(|kept| &kept.op);
        keys.extend(made.filter_map(|op| Some((kinds::kind(&op.kind)?.name, op.record_id))));
        keys.sort_unstable();
        keys.dedup();
        Self { view: device.view(), keys }
    }

    fn all<'a>(&'a self, kind: &'a str) -> impl Iterator<Item = &'a Stored> + 'a {
        let keys = self.keys.iter().filter(move |key| key.0 == kind);
        keys.filter_map(|key| self.view.get(key.0, key.1))
    }

    fn live<'a>(&'a self, kind: &'a str) -> Vec<&'a Stored> {
        self.all(kind).filter(|record| record.is_live()).collect()
    }
}

fn object(value: Value) -> Object {
    match value {
        Value::Object(object) => object,
        _ => Object::new(),
    }
}

/// What a person does next; nothing when what was drawn has nothing to work on.
pub fn act(device: &Device, chance: &mut Chance, clock: Timestamp) -> Vec<Op> {
    let shown = Shown::of(device);
    let group = chance.id().to_string();
    let mut ops = Vec::new();
    let steps = if chance.one_in(4) { 2 } else { 1 };
    for _ in 0..steps {
        let Some((kind, record_id, action, payload)) = one(&shown, chance, clock) else { continue };
        // A second step on the same record would have to see the first.
        if ops.iter().any(|op: &Op| op.record_id == record_id) {
            continue;
        }
        let facts = kinds::kind(kind).is_some_and(kinds::Kind::is_fact) && action == Action::Append;
        // The id of an op that makes a record through a device is its own; the two need not agree.
        let op_id = if facts { record_id } else { chance.id() };
        ops.push(Op {
            op_id,
            op_no: None,
            group: group.clone(),
            kind: kind.to_owned(),
            record_id,
            action,
            base_seq: 0,
            payload,
            done_at: Some(clock),
            hash: [0; 32],
            if_version: None,
        });
    }
    ops
}

type Change = (&'static str, Uuid, Action, Object);

fn one(shown: &Shown, chance: &mut Chance, clock: Timestamp) -> Option<Change> {
    let word = format!("v{}", chance.roll());
    let items = shown.live("item");
    let id = chance.id();
    match chance.below(23) {
        0 | 1 => Some(("item", id, Action::Create, object(json!({"name": word, "kind": "gloves"})))),
        2..=5 => {
            let item = chance.pick(&items)?;
            let patch = match chance.below(6) {
                0 => json!({"name": word}),
                1 => json!({"size": word}),
                2 => json!({"tag": word, "notes": format!("n{word}")}),
                3 => json!({"attributes": {"colour": word}}),
                4 => json!({"attributes": {"lining": word}, "size": format!("s{word}")}),
                _ => json!({"head_mm": chance.below(20_000) + 1, "head_basis": "label"}),
            };
            Some(("item", item.id, Action::Patch, object(patch)))
        }
        6 | 20 => Some(("item", chance.pick(&items)?.id, Action::Delete, Object::new())),
        7 => {
            let deleted: Vec<&Stored> = shown.all("item").filter(|item| item.deleted).collect();
            Some(("item", chance.pick(&deleted)?.id, Action::Restore, Object::new()))
        }
        8..=11 => {
            let item = chance.pick(&items)?.id;
            let grams = chance.below(1_000_000) as f64 / 1000.0 + 1.0;
            let mut body = json!({
                "item_id": item, "resolution_g": 1, "reading_g": grams, "observed_at": clock, "note": word,
            });
            let weighings = shown.live("weighing");
            if chance.one_in(4)
                && let Some(old) = chance.pick(&weighings)
            {
                body["item_id"] = old.body.get("item_id").cloned().unwrap_or_default();
                body["supersedes_id"] = json!(old.id);
            }
            Some(("weighing", id, Action::Append, object(body)))
        }
        12 => {
            let weighings = shown.live("weighing");
            let reason = object(json!({"reason": word}));
            Some(("weighing", chance.pick(&weighings)?.id, Action::Void, reason))
        }
        13 | 14 => {
            let item = chance.pick(&items)?.id;
            let events: Vec<StateEvent> = shown
                .all("log_entry")
                .filter(|entry| entry.body.get("item_id") == Some(&json!(item)))
                .filter_map(StateEvent::of)
                .collect();
            let event = ["quarantine", "clear", "watch", "reinstate"][chance.below(4)];
            let after = item_state(&events).state_heads;
            let body =
                json!({"item_id": item, "event": event, "observed_at": clock, "after": after, "note": word});
            Some(("log_entry", id, Action::Append, object(body)))
        }
        15 => Some(("loadout", id, Action::Create, object(json!({"name": word})))),
        16 | 17 => {
            let loadouts = shown.live("loadout");
            let (loadout, item) = (chance.pick(&loadouts)?.id, chance.pick(&items)?.id);
            let body = json!({
                "loadout_id": loadout, "item_id": item, "carry_place": "in_hand", "note": word,
            });
            Some(("loadout_entry", id, Action::Create, object(body)))
        }
        18 => {
            let entries = shown.live("loadout_entry");
            let patch = json!({"quantity": chance.below(9) + 2, "note": word});
            Some(("loadout_entry", chance.pick(&entries)?.id, Action::Patch, object(patch)))
        }
        19 => {
            let loadouts = shown.live("loadout");
            let loadout = chance.pick(&loadouts)?.id;
            let mass = json!({"value_g": 0});
            let snapshot = json!({
                "taken_at": clock, "entries": [], "carried": {"start_g": mass, "max_g": mass},
                "total_start_g": mass,
            });
            let body = json!({"loadout_id": loadout, "snapshot": snapshot, "note": word});
            Some(("seal", id, Action::Append, object(body)))
        }
        _ => {
            let open: Vec<&Stored> =
                shown.all("conflict").filter(|conflict| !conflict.body.contains_key("resolution")).collect();
            let keep = ["kept", "offered"][chance.below(2)];
            Some(("conflict", chance.pick(&open)?.id, Action::Settle, object(json!({"keep": keep}))))
        }
    }
}
