//! Laws of the merge, over random histories of several devices that sync now and then: nothing that somebody said is
//! lost, facts stay, deleted stays deleted, the order does not matter where nobody contradicts anybody, and what is
//! shown of a conflict is true.

use std::collections::BTreeMap;

use domain::condition::{StateEvent, item_state};
use domain::kinds::{self, KINDS, Kind};
use domain::sync::canonical::row_hash;
use domain::sync::op::{Action, Actor, Deciding, Op, OpResult, OpStatus, Role};
use domain::sync::record::{Lookup, Stored};
use domain::sync::working::{Working, digest_moves};
use domain::wire::conflict::{About, ConflictBody};
use domain::wire::shape::{self, Object};
use proptest::prelude::*;
use serde_json::{Value, json};
use uuid::Uuid;

const DEVICES: usize = 3;
const ITEMS: usize = 2;

fn id(group: u8, n: usize) -> Uuid {
    format!("018f0000-00{group:02x}-7000-8000-{n:012x}").parse().unwrap()
}

fn kind(name: &str) -> &'static Kind {
    kinds::kind(name).unwrap()
}

/// What a device does next.
#[derive(Debug, Clone)]
enum Step {
    Sync,
    Patch { item: usize, fields: u8 },
    Delete { item: usize },
    Restore { item: usize },
    Weigh { item: usize, replaces: Option<usize> },
    Judge { item: usize, event: usize },
    Void { fact: usize },
    Settle { conflict: usize, keep: usize },
}

fn step() -> impl Strategy<Value = (usize, Step)> {
    let item = 0..ITEMS;
    let what = prop_oneof![
        2 => Just(Step::Sync),
        6 => (item.clone(), 1u8..64).prop_map(|(item, fields)| Step::Patch { item, fields }),
        1 => item.clone().prop_map(|item| Step::Delete { item }),
        1 => item.clone().prop_map(|item| Step::Restore { item }),
        2 => (item.clone(), proptest::option::of(0..6usize)).prop_map(|(item, replaces)| Step::Weigh { item, replaces }),
        2 => (item, 0..5usize).prop_map(|(item, event)| Step::Judge { item, event }),
        1 => (0..8usize).prop_map(|fact| Step::Void { fact }),
        2 => (0..8usize, 0..3usize).prop_map(|(conflict, keep)| Step::Settle { conflict, keep }),
    ];
    (0..DEVICES, what)
}

/// A service and its devices.
struct World {
    working: Working,
    base: [i64; DEVICES],
    ops: usize,
    facts: Vec<(&'static str, Uuid)>,
    /// By each record's unit: which op of which device wrote what stands.
    writers: BTreeMap<(Uuid, String), (i64, Option<usize>)>,
}

fn records(working: &Working, kind: &str) -> Vec<Stored> {
    working.changed(kind).into_iter().cloned().collect()
}

fn conflicts(working: &Working) -> Vec<(Uuid, ConflictBody)> {
    let all = records(working, "conflict").into_iter();
    all.map(|stored| (stored.id, shape::read(&stored.body).unwrap())).collect()
}

fn object(value: Value) -> Object {
    match value {
        Value::Object(object) => object,
        other => panic!("no object: {other}"),
    }
}

impl World {
    fn new() -> Self {
        let mut world = Self {
            working: Working::new(0),
            base: [0; DEVICES],
            ops: 0,
            facts: Vec::new(),
            writers: BTreeMap::new(),
        };
        for item in 0..ITEMS {
            let body = object(json!({"name": format!("item {item}"), "kind": "shell_jacket", "size": "M"}));
            world.apply(0, "item", id(1, item), Action::Create, body);
        }
        world.base = [world.working.head(); DEVICES];
        world
    }

    fn op(&mut self, device: usize, kind: &str, record_id: Uuid, action: Action, payload: Object) -> Op {
        self.ops += 1;
        Op {
            op_id: id(2, self.ops),
            op_no: None,
            group: String::new(),
            kind: kind.to_owned(),
            record_id,
            action,
            base_seq: self.base[device],
            payload,
            done_at: None,
            hash: [0; 32],
            if_version: None,
        }
    }

    fn decide(&mut self, device: usize, op: &Op) -> OpResult {
        let actor = Actor { account: id(3, device), role: Role::Keeper, replica: Some(id(4, device)) };
        let now = "2026-03-01T05:10:00Z".parse().unwrap();
        let deciding = Deciding { now, actor, refuse_future_times: false };
        self.working.apply_group(&[op], &deciding).remove(0)
    }

    /// Decides an op, and checks what must hold of every step.
    fn apply(
        &mut self,
        device: usize,
        kind_name: &str,
        record: Uuid,
        action: Action,
        payload: Object,
    ) -> OpResult {
        let op = self.op(device, kind_name, record, action, payload);
        let before = self.working.clone();
        let result = self.decide(device, &op);
        self.check_values(device, &op, &result, &before);
        check_conflicts(device, &op, &result, &before, &self.working);
        check_facts(&before, &self.working);
        if matches!(result.status, OpStatus::Rejected | OpStatus::Noop) && action != Action::Patch {
            assert_eq!(self.working.head(), before.head(), "{op:?} was {result:?} and changed something");
        }
        // The same op again finds everything done, or says the same.
        if result.status != OpStatus::Rejected && action != Action::Settle {
            let (head, again) = (self.working.head(), self.decide(device, &op));
            assert!(
                matches!(again.status, OpStatus::Noop | OpStatus::Conflict),
                "{again:?} after {result:?}"
            );
            if matches!(action, Action::Patch | Action::Delete) {
                assert_eq!(again.conflict_ids, result.conflict_ids, "{op:?}");
            }
            assert_eq!(self.working.head(), head, "{op:?} twice");
        }
        result
    }

    /// What was said stands, or is in a conflict, or was overwritten by somebody who knew it.
    fn check_values(&mut self, device: usize, op: &Op, result: &OpResult, before: &Working) {
        let item = kind("item");
        for after in records(&self.working, "item") {
            let old = before.get("item", after.id);
            let old_body = old.map(|old| old.body.clone()).unwrap_or_default();
            let mut units = item.units_of_patch(&after.body, &after.body);
            units.extend(item.units_of_patch(&old_body, &old_body));
            for unit in units {
                if item.unit_value(&unit, &after.body) == item.unit_value(&unit, &old_body) {
                    continue;
                }
                let key = (after.id, unit);
                if let Some((seq, by)) = self.writers.get(&key) {
                    let knew = *seq <= op.base_seq || *by == Some(device);
                    assert!(knew, "{op:?} overwrote {key:?} of {seq} without knowing it");
                }
                self.writers.insert(key, (after.version, Some(device)));
            }
        }
        if op.action != Action::Patch || result.status == OpStatus::Rejected {
            return;
        }
        let stored = self.working.get("item", op.record_id).unwrap();
        let open = conflicts(&self.working);
        for unit in item.units_of_patch(&op.payload, &stored.body) {
            let said = item.unit_value(&unit, &op.payload);
            let stands = !stored.deleted && item.unit_value(&unit, &stored.body) == said;
            let kept = result.conflict_ids.iter().any(|id| {
                let (_, body) = open.iter().find(|(other, _)| other == id).unwrap();
                body.units.contains(&unit)
                    && item.unit_value(&unit, body.offered.as_ref().unwrap_or(&Object::new())) == said
            });
            // A group that the patch names in part is compared by what it names.
            let partly = unit == "head"
                && (stands_partly(&op.payload, &stored.body) || !result.conflict_ids.is_empty());
            let same_deleted = stored.deleted && item.unit_value(&unit, &stored.body) == said;
            assert!(stands || kept || partly || same_deleted, "{unit} of {op:?} is lost: {result:?}");
        }
    }
}

fn stands_partly(patch: &Object, body: &Object) -> bool {
    patch
        .iter()
        .filter(|(field, _)| field.starts_with("head"))
        .all(|(field, value)| body.get(field).unwrap_or(&Value::Null) == value)
}

/// Conflicts stay; a closed one never changes, an offer changes by its own device only; and the open ones are true.
fn check_conflicts(device: usize, op: &Op, result: &OpResult, before: &Working, after: &Working) {
    let item = kind("item");
    let now: BTreeMap<Uuid, ConflictBody> = conflicts(after).into_iter().collect();
    for (id, old) in conflicts(before) {
        let new = now.get(&id).unwrap_or_else(|| panic!("{id} has gone"));
        if !old.is_open() {
            assert_eq!(new, &old, "a closed conflict was changed by {op:?}");
        } else if new.is_open() && new.offered != old.offered {
            let own = old.replica_id == Some(self::id(4, device));
            assert!(own || new.units.len() < old.units.len(), "{op:?} changed the offer {old:?} to {new:?}");
        }
    }
    for id in &result.conflict_ids {
        assert!(now.contains_key(id), "{result:?} names no conflict");
    }
    for (id, open) in now.iter().filter(|(_, body)| body.is_open()) {
        let record = after.get(&open.kind, open.record_id);
        match open.about {
            About::SameUnit | About::DeletedVsEdited | About::EditedVsDeleted => {
                let record = record.unwrap();
                let stands = (!record.deleted).then(|| item.unit_fields(&open.units, &record.body));
                assert_eq!(open.kept, stands, "{id} after {op:?}");
                assert_ne!(open.kept, open.offered, "{id}: nothing is left to settle after {op:?}");
                let units_named = open.about == About::EditedVsDeleted || !open.units.is_empty();
                assert!(units_named, "{id}: {open:?}");
            }
            About::DeletedVsFact => assert!(record.unwrap().deleted, "{id} after {op:?}"),
            About::DoubleSupersede => assert!(open.among.len() > 1, "{id}: {open:?}"),
            About::StateHeads => assert!(contested(after, open.record_id), "{id} after {op:?}"),
            About::SealedVsEdited => panic!("nothing is sealed here"),
        }
    }
    for n in 0..ITEMS {
        let item = self::id(1, n);
        let open = now.values().any(|c| c.is_open() && c.about == About::StateHeads && c.record_id == item);
        assert_eq!(open, contested(after, item), "item {n} after {op:?}");
    }
}

fn contested(working: &Working, item: Uuid) -> bool {
    let of = |record: &Stored| record.body.get("item_id") == Some(&json!(item));
    let log = records(working, "log_entry");
    let events: Vec<StateEvent> = log.iter().filter(|record| of(record)).filter_map(StateEvent::of).collect();
    item_state(&events).state_contested
}

/// A fact that was taken is there for ever, as it was; at most it is voided, once.
fn check_facts(before: &Working, after: &Working) {
    for kind in KINDS.iter().filter(|kind| kind.is_fact()) {
        for old in records(before, kind.name) {
            let new = after.get(kind.name, old.id).expect("a fact has gone");
            assert_eq!(
                (&new.body, new.recorded_at, new.created_by),
                (&old.body, old.recorded_at, old.created_by)
            );
            assert!(old.voided.is_none() || new.voided == old.voided, "voided anew");
        }
    }
}

fn patch(fields: u8, value: usize) -> Object {
    let mut patch = Object::new();
    let text = json!(format!("v{value}"));
    for (bit, field) in ["name", "size", "notes"].into_iter().enumerate() {
        if fields & (1 << bit) != 0 {
            let null = field != "name" && value.is_multiple_of(5);
            patch.insert(field.to_owned(), if null { Value::Null } else { text.clone() });
        }
    }
    let mut attributes = Object::new();
    for (bit, key) in [(3, "zips"), (4, "pockets")] {
        if fields & (1 << bit) != 0 {
            attributes.insert(key.to_owned(), text.clone());
        }
    }
    if !attributes.is_empty() {
        patch.insert("attributes".to_owned(), attributes.into());
    }
    if fields & 32 != 0 {
        patch.insert("head_mm".to_owned(), json!(1000 + value));
        if value.is_multiple_of(2) {
            patch.insert("head_basis".to_owned(), json!("label"));
        }
    }
    patch
}

fn run(steps: &[(usize, Step)]) -> World {
    let mut world = World::new();
    for (device, step) in steps {
        let (device, fresh) = (*device, world.ops);
        match step {
            Step::Sync => world.base[device] = world.working.head(),
            Step::Patch { item, fields } => {
                let patch = patch(*fields, fresh);
                world.apply(device, "item", id(1, *item), Action::Patch, patch);
            }
            Step::Delete { item } => {
                world.apply(device, "item", id(1, *item), Action::Delete, Object::new());
            }
            Step::Restore { item } => {
                let was = world.working.get("item", id(1, *item)).unwrap().deleted;
                let result = world.apply(device, "item", id(1, *item), Action::Restore, Object::new());
                assert_eq!(result.status, if was { OpStatus::Applied } else { OpStatus::Noop });
            }
            Step::Weigh { item, replaces } => {
                let mut body =
                    object(json!({"item_id": id(1, *item), "resolution_g": 1, "reading_g": 400 + fresh,
                    "observed_at": "2026-03-01T05:10:00Z"}));
                let weighings: Vec<Uuid> =
                    world.facts.iter().filter(|fact| fact.0 == "weighing").map(|fact| fact.1).collect();
                if let Some(at) = replaces
                    && !weighings.is_empty()
                {
                    body.insert("supersedes_id".into(), json!(weighings[at % weighings.len()]));
                }
                let fact = id(5, fresh);
                let result = world.apply(device, "weighing", fact, Action::Append, body);
                assert!(matches!(result.status, OpStatus::Applied | OpStatus::Conflict), "{result:?}");
                world.facts.push(("weighing", fact));
            }
            Step::Judge { item, event } => {
                // What this device has seen: the heads among the events that it knows.
                let mut events: Vec<StateEvent> = Vec::new();
                for record in records(&world.working, "log_entry") {
                    let known = record.version <= world.base[device] || record.created_by == id(3, device);
                    if known && record.body["item_id"] == json!(id(1, *item)) {
                        events.extend(StateEvent::of(&record));
                    }
                }
                let after = item_state(&events).state_heads;
                let name = ["quarantine", "clear", "watch", "retire", "reinstate"][*event];
                let mut body = object(json!({"item_id": id(1, *item), "event": name, "after": after,
                    "observed_at": "2026-03-01T05:10:00Z"}));
                if name == "retire" {
                    body.insert("reason".into(), json!("leak"));
                }
                let fact = id(5, fresh);
                let result = world.apply(device, "log_entry", fact, Action::Append, body);
                assert!(matches!(result.status, OpStatus::Applied | OpStatus::Conflict), "{result:?}");
                world.facts.push(("log_entry", fact));
            }
            Step::Void { fact } if !world.facts.is_empty() => {
                let (kind, fact) = world.facts[fact % world.facts.len()];
                let reason = object(json!({"reason": "the other one"}));
                world.apply(device, kind, fact, Action::Void, reason);
            }
            Step::Settle { conflict, keep } => {
                let open: Vec<Uuid> = conflicts(&world.working)
                    .into_iter()
                    .filter(|(_, body)| body.is_open())
                    .map(|(id, _)| id)
                    .collect();
                if !open.is_empty() {
                    world.base[device] = world.working.head();
                    let keep = ["kept", "offered", "kept"][*keep];
                    let wish = object(json!({"keep": keep}));
                    let target = open[conflict % open.len()];
                    let result = world.apply(device, "conflict", target, Action::Settle, wish.clone());
                    let ended =
                        conflicts(&world.working).into_iter().find(|(id, _)| *id == target).unwrap().1;
                    if result.status == OpStatus::Rejected {
                        // An item with facts is not deleted, whoever wishes it.
                        assert_eq!((ended.about, keep), (About::EditedVsDeleted, "offered"), "{result:?}");
                    } else {
                        assert!(!ended.is_open(), "{ended:?}");
                        let again = world.op(device, "conflict", target, Action::Settle, wish);
                        assert_eq!(world.decide(device, &again).status, OpStatus::Noop);
                    }
                }
            }
            Step::Void { .. } => {}
        }
    }
    world
}

/// The sums that a digest would have, from the moves and from the records.
fn assert_digest(working: &Working) {
    for (name, (count, sum)) in digest_moves(&working.moved()) {
        let all = records(working, name);
        let expected = all.iter().fold(0_i64, |sum, record| sum.wrapping_add(row_hash(name, record)));
        assert_eq!((count, sum), (all.len() as i64, expected), "{name}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 400, ..ProptestConfig::default() })]

    #[test]
    fn history_of_any_devices_loses_no_value_and_shows_true_conflicts(
        steps in proptest::collection::vec(step(), 1..40)
    ) {
        let world = run(&steps);
        assert_digest(&world.working);
    }

    #[test]
    fn deleted_record_stays_deleted_without_a_restore(
        steps in proptest::collection::vec(step(), 1..25), by in 0..DEVICES
    ) {
        let mut world = World::new();
        world.apply(by, "item", id(1, 0), Action::Delete, Object::new());
        let restoring = |step: &Step| matches!(step, Step::Restore { .. } | Step::Settle { .. });
        for (device, step) in steps.iter().filter(|(_, step)| !restoring(step)) {
            if let Step::Patch { item, fields } = step {
                let fresh = world.ops;
                world.apply(*device, "item", id(1, *item), Action::Patch, patch(*fields, fresh));
            } else if matches!(step, Step::Sync) {
                world.base[*device] = world.working.head();
            }
            prop_assert!(world.working.get("item", id(1, 0)).unwrap().deleted);
        }
    }

    #[test]
    fn ops_that_contradict_nobody_give_the_same_in_any_order(
        order in Just((0..9usize).collect::<Vec<_>>()).prop_shuffle(), values in proptest::collection::vec(1..1000usize, 9)
    ) {
        // Three devices, each with units of its own, and a fact of its own; per device the order is kept.
        let build = |order: &[usize]| {
            let mut world = World::new();
            for at in order {
                let device = at % 3;
                let fields = [1u8, 2 | 8, 4 | 16][device];
                let result = world.apply(device, "item", id(1, 0), Action::Patch, patch(fields, values[*at]));
                assert!(matches!(result.status, OpStatus::Applied | OpStatus::Merged | OpStatus::Noop), "{result:?}");
                let body = object(json!({"item_id": id(1, 0), "resolution_g": 1, "reading_g": values[*at],
                    "observed_at": "2026-03-01T05:10:00Z"}));
                world.apply(device, "weighing", id(5, *at), Action::Append, body);
            }
            let mut facts: Vec<(Uuid, Object)> =
                records(&world.working, "weighing").into_iter().map(|fact| (fact.id, fact.body)).collect();
            facts.sort_by_key(|fact| fact.0);
            (world.working.get("item", id(1, 0)).unwrap().body.clone(), facts, conflicts(&world.working).len())
        };
        // The same interleaving with each device's ops in their order.
        let mut next = [0usize, 1, 2];
        let interleaved: Vec<usize> = order
            .iter()
            .map(|at| {
                let op = next[at % 3];
                next[at % 3] += 3;
                op
            })
            .collect();
        prop_assert_eq!(build(&interleaved), build(&(0..9).collect::<Vec<_>>()));
    }
}
