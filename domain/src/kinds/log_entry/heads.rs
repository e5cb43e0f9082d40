//! The heads of an item's state events: filling them in, telling when they disagree, and settling that.

use uuid::Uuid;

use super::{KIND, item_of_state_event};
use crate::condition::{StateEvent, StateView, item_state};
use crate::sync::conflict::{Contradiction, Write, derived_id};
use crate::sync::op::{Action, Op};
use crate::sync::record::{Lookup, Stored};
use crate::time::Timestamp;
use crate::wire::conflict::{About, ConflictBody, ConflictFact, Keep, Settle};
use crate::wire::log_entry::{LogEvent, MAX_AFTER};
use crate::wire::problem::FieldError;
use crate::wire::shape::Object;

fn events(item: Uuid, lookup: &dyn Lookup) -> Vec<StateEvent> {
    lookup.referring(KIND.name, "item_id", item).into_iter().filter_map(StateEvent::of).collect()
}

/// The heads that an event of this item has before it when it comes now; what it replaces is none of them.
fn heads_before(item: Uuid, supersedes: Option<Uuid>, lookup: &dyn Lookup) -> Vec<Uuid> {
    let mut events = events(item, lookup);
    if let Some(replaced) = events.iter_mut().find(|event| Some(event.id) == supersedes) {
        replaced.usable = false;
    }
    let mut heads = item_state(&events).state_heads;
    heads.truncate(MAX_AFTER);
    heads
}

/// A state event that does not say what it comes after comes after everything that stands.
pub(super) fn complete(body: &mut Object, lookup: &dyn Lookup) {
    if let Some(item) = item_of_state_event(body)
        && body.get("after").is_none_or(serde_json::Value::is_null)
    {
        let supersedes = crate::kinds::reference_id(body, crate::kinds::SUPERSEDES);
        let heads = heads_before(item, supersedes, lookup);
        if heads.is_empty() {
            body.remove("after");
        } else {
            body.insert("after".to_owned(), serde_json::json!(heads));
        }
    }
}

/// Heads that disagree; a change of any state event can bring that about.
pub(super) fn contradicts(record: &Stored, lookup: &dyn Lookup) -> Vec<Contradiction> {
    let Some(item) = item_of_state_event(&record.body) else { return Vec::new() };
    let StateView { state_heads, state_contested, .. } = item_state(&events(item, lookup));
    if !state_contested {
        return Vec::new();
    }
    let mut heads: Vec<&Stored> =
        state_heads.iter().filter_map(|head| lookup.get(KIND.name, *head)).collect();
    heads.sort_by_key(|head| (head.recorded_at, head.id));
    let among = heads.into_iter().map(|head| ConflictFact { kind: KIND.name.to_owned(), id: head.id });
    vec![Contradiction::of_facts(About::StateHeads, "item", item, among.collect())]
}

/// A further event that has seen all heads: that of the first, that of the last, or one that is given.
pub(super) fn settles(
    conflict: &ConflictBody,
    wanted: &Settle,
    op: &Op,
    now: Timestamp,
    lookup: &dyn Lookup,
) -> Result<Vec<Write>, Vec<FieldError>> {
    let item = conflict.record_id;
    let head = match wanted.keep {
        Keep::Kept => conflict.among.first(),
        Keep::Offered => conflict.among.last(),
        Keep::Other => None,
    };
    let mut body = Object::new();
    if let Some(head) = head.and_then(|head| lookup.get(&head.kind, head.id)) {
        // What the event needs to be whole; what was observed then is not observed anew.
        for field in ["event", "reason"] {
            if let Some(value) = head.body.get(field) {
                body.insert(field.to_owned(), value.clone());
            }
        }
    } else {
        body = wanted.value.clone().unwrap_or_default();
        let event = body.get("event").and_then(serde_json::Value::as_str).and_then(LogEvent::from_name);
        if event.is_none_or(|event| event.sets().is_none()) {
            let words = "say which event holds: quarantine, clear, watch, retire or reinstate";
            return Err(vec![FieldError::new("/value/event", "missing", words)]);
        }
    }
    let heads = heads_before(item, None, lookup);
    body.insert("item_id".to_owned(), serde_json::json!(item));
    body.insert("after".to_owned(), serde_json::json!(heads));
    body.entry("observed_at").or_insert_with(|| serde_json::json!(now));
    let record_id = settled_id(op.op_id, item);
    Ok(vec![Write { kind: KIND.name, record_id, action: Action::Append, payload: body }])
}

/// The id of the event that settling the state of an item appends: the same wherever and however often the op is decided.
#[must_use]
pub fn settled_id(op_id: Uuid, item: Uuid) -> Uuid {
    derived_id(op_id, &["state", &item.to_string()])
}
