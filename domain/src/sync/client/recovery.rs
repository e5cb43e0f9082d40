//! What a restored service has lost, and the ops that would bring it back. Nothing of it is done without a person.
//!
//! Two bases of one kitroom are compared: the one of before, whose every record the service once told, and the one that
//! it tells now, in another epoch. Up to some change both are one history; `common` finds it. What the old base holds
//! from after that change, and the new one does not, may be lost.

use std::collections::BTreeMap;

use serde_json::Value;

use crate::kinds::Kind;
use crate::sync::op::Action;
use crate::sync::record::Stored;
use crate::wire::shape::Object;

/// A record of a base.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Row<'a> {
    /// The number of its last change.
    pub seq: i64,
    /// Whether it is deleted.
    pub deleted: bool,
    /// Its stored fields as the feed told them; the last known ones of a deleted record, if any.
    pub record: Option<&'a Object>,
}

impl Row<'_> {
    /// Whether both rows are one and the same change.
    fn is_same_change(&self, other: &Row<'_>) -> bool {
        self.seq == other.seq && self.says_the_same(other)
    }

    /// Whether both say the same, whoever said it and when: what was lost and is there again waits for nobody.
    #[must_use]
    pub fn says_the_same(&self, other: &Row<'_>) -> bool {
        self.deleted == other.deleted
            && (self.deleted || self.record.map(substance) == other.record.map(substance))
    }
}

/// Whether a record that may have been lost needs nobody any more, as it stands now. One that was gone and is there again
/// may well have gone on since: it is back when it says all that it said.
#[must_use]
pub fn is_back(loss: Loss, before: Row<'_>, now: Row<'_>) -> bool {
    let went_on = || {
        let (Some(before), Some(now)) = (before.record, now.record) else { return false };
        let now: BTreeMap<&String, Value> = substance(now).into_iter().collect();
        substance(before).iter().all(|(name, value)| now.get(name).is_some_and(|now| says(now, value)))
    };
    now.says_the_same(&before) || (loss == Loss::Gone && !now.deleted && went_on())
}

/// Whether a value says all that another one does: the same, or an object with more in it.
fn says(value: &Value, wanted: &Value) -> bool {
    match (value, wanted) {
        (Value::Object(value), Value::Object(wanted)) => {
            wanted.iter().all(|(key, wanted)| value.get(key).is_some_and(|value| says(value, wanted)))
        }
        _ => value == wanted,
    }
}

/// What a record says: its stored fields without those that tell of its writing.
fn substance(record: &Object) -> Vec<(&String, Value)> {
    const ABOUT: [&str; 4] = ["version", "created_by", "recorded_by", "recorded_at"];
    let said = record.iter().filter(|(name, _)| !ABOUT.contains(&name.as_str()));
    said.map(|(name, value)| {
        let value = if name == "voided" { Value::Bool(!value.is_null()) } else { value.clone() };
        (name, value)
    })
    .collect()
}

/// The last change that both bases hold, of pairs (before, now) of the records that both have: 0 when they share none.
/// The service had everything up to it when it was restored.
#[must_use]
pub fn common<'a>(pairs: impl IntoIterator<Item = (Row<'a>, Row<'a>)>) -> i64 {
    let same = pairs.into_iter().filter(|(before, now)| before.is_same_change(now));
    same.map(|(before, _)| before.seq).max().unwrap_or(0)
}

/// How the service stands to a record that this device holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Loss {
    /// It does not have it.
    Gone,
    /// It has another state of it, from before or made anew since.
    Differs,
    /// It has it, and here it is deleted.
    Undeleted,
    /// It has deleted it.
    Deleted,
}

impl Loss {
    /// The name in a store and in JSON.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Loss::Gone => "gone",
            Loss::Differs => "differs",
            Loss::Undeleted => "undeleted",
            Loss::Deleted => "deleted",
        }
    }
}

/// Whether what this device held of a record may be lost, and how. A record that the service had up to `common` and
/// shows otherwise now was changed on top of what it was; one that it does not show at all is doubtful however old.
#[must_use]
pub fn lost(before: Row<'_>, now: Option<Row<'_>>, common: i64) -> Option<Loss> {
    let Some(now) = now else { return (!before.deleted).then_some(Loss::Gone) };
    if before.seq <= common || before.says_the_same(&now) {
        return None;
    }
    Some(match (before.deleted, now.deleted) {
        (true, _) => Loss::Undeleted,
        (false, true) => Loss::Deleted,
        (false, false) => Loss::Differs,
    })
}

/// How well a person knows what they bring back.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Seen {
    /// They have looked at the record as it is and as it was: it becomes what it was.
    Both,
    /// They have not looked at what was written since this last common change: it counts as unseen, so that it stays where
    /// it contradicts what was lost, with a conflict that says so.
    UpTo(i64),
}

impl Seen {
    /// Whether a field that the old record does not have may go. Of a record that was written since, nobody can tell
    /// whether the field was taken away in what was lost, or given since.
    fn may_take_away(self, now: i64) -> bool {
        match self {
            Seen::Both => true,
            Seen::UpTo(common) => now <= common,
        }
    }
}

/// The ops, one after the other, that make the record what it was: action and content. Empty when nothing would change,
/// or the old record cannot be read.
#[must_use]
pub fn ops(kind: &Kind, before: Row<'_>, now: Option<Row<'_>>, seen: Seen) -> Vec<(Action, Object)> {
    let nothing = Object::new;
    if before.deleted {
        let is_there = now.is_some_and(|now| !now.deleted);
        return if is_there { vec![(Action::Delete, nothing())] } else { Vec::new() };
    }
    let Some(old) = before.record.and_then(|record| Stored::from_wire(kind, record)) else {
        return Vec::new();
    };
    let voiding = old.voided.as_ref().map(|voided| {
        (Action::Void, Object::from_iter([("reason".to_owned(), Value::String(voided.reason.clone()))]))
    });
    let Some(now) = now else {
        let make = if kind.is_fact() { Action::Append } else { Action::Create };
        return std::iter::once((make, old.body)).chain(voiding).collect();
    };
    let new = now.record.and_then(|record| Stored::from_wire(kind, record));
    if kind.is_fact() {
        let voided = new.is_some_and(|new| new.voided.is_some());
        return if voided { Vec::new() } else { voiding.into_iter().collect() };
    }
    let restoring = now.deleted.then(|| (Action::Restore, nothing()));
    let patch = new.map(|new| {
        let mut patch = difference(&new.body, &old.body);
        if !seen.may_take_away(now.seq) {
            keep_what_is_there(&mut patch);
        }
        patch
    });
    let patch = patch.filter(|patch| !patch.is_empty());
    restoring.into_iter().chain(patch.map(|patch| (Action::Patch, patch))).collect()
}

/// The merge patch (RFC 7396) that turns one object into another.
#[must_use]
pub fn difference(from: &Object, to: &Object) -> Object {
    let mut patch = Object::new();
    for (name, value) in to {
        match (from.get(name), value) {
            (Some(before), value) if before == value => {}
            (Some(Value::Object(before)), Value::Object(after)) => {
                patch.insert(name.clone(), Value::Object(difference(before, after)));
            }
            _ => {
                patch.insert(name.clone(), value.clone());
            }
        }
    }
    let gone = from.keys().filter(|name| !to.contains_key(*name));
    patch.extend(gone.map(|name| (name.clone(), Value::Null)));
    patch
}

/// Leaves out of a patch what takes fields away.
fn keep_what_is_there(patch: &mut Object) {
    patch.retain(|_, value| {
        if let Value::Object(within) = value {
            keep_what_is_there(within);
            return !within.is_empty();
        }
        !value.is_null()
    });
}

#[cfg(test)]
mod tests {
    use serde_json::json;

    use super::*;
    use crate::kinds::{item, weighing};

    const ID: &str = "018f0000-0000-7000-8000-0000000000a1";

    fn record(version: i64, more: Value) -> Object {
        let mut record = json!({
            "id": ID, "version": version, "created_by": ID, "recorded_at": "2026-03-01T08:00:00.000Z",
            "name": "shell", "kind": "shell_jacket",
        });
        record.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        record.as_object().unwrap().clone()
    }

    fn row(seq: i64, record: &Object) -> Row<'_> {
        Row { seq, deleted: false, record: Some(record) }
    }

    fn deleted(seq: i64, record: &Object) -> Row<'_> {
        Row { seq, deleted: true, record: Some(record) }
    }

    #[test]
    fn common_is_the_last_change_that_both_hold() {
        let (old, same) =
            (record(3, json!({})), record(3, json!({"recorded_at": "2027-01-01T00:00:00.000Z"})));
        let (mine, theirs) = (record(9, json!({"size": "M"})), record(9, json!({"size": "L"})));
        let pairs =
            [(row(3, &old), row(3, &same)), (row(9, &mine), row(9, &theirs)), (row(4, &old), row(5, &old))];
        assert_eq!(common(pairs), 3);
        assert_eq!(common([]), 0);
    }

    #[test]
    fn lost_names_what_is_gone_or_older_and_leaves_what_was_changed_on_top() {
        let (was, other) = (record(7, json!({"size": "M"})), record(5, json!({"size": "L"})));
        // A number that the new history has given out again does not make a record newer.
        assert_eq!(lost(row(7, &was), Some(row(5, &other)), 6), Some(Loss::Differs));
        assert_eq!(lost(row(7, &was), Some(row(12, &other)), 6), Some(Loss::Differs));
        assert_eq!(lost(row(7, &was), Some(row(12, &other)), 7), None);
        assert_eq!(lost(row(7, &was), Some(row(12, &was)), 6), None);
        assert_eq!(lost(row(7, &was), None, 6), Some(Loss::Gone));
        assert_eq!(lost(row(7, &was), None, 9), Some(Loss::Gone));
        assert_eq!(lost(row(7, &was), Some(deleted(9, &was)), 6), Some(Loss::Deleted));
        assert_eq!(lost(deleted(7, &was), Some(row(5, &was)), 6), Some(Loss::Undeleted));
        assert_eq!(lost(deleted(7, &was), None, 6), None);
    }

    #[test]
    fn is_back_what_says_all_that_it_said_and_maybe_more() {
        let was = record(7, json!({"size": "M", "attributes": {"hood": true}}));
        let more = record(9, json!({"size": "M", "tag": "A1", "attributes": {"hood": true, "pleats": 2}}));
        let less = record(9, json!({"size": "M", "attributes": {"pleats": 2}}));
        let back = |loss, now| is_back(loss, row(7, &was), now);
        assert!(back(Loss::Gone, row(9, &was)) && back(Loss::Differs, row(9, &was)));
        assert!(back(Loss::Gone, row(9, &more)) && !back(Loss::Gone, row(9, &less)));
        // What is taken away again was said too; of a record that was always there nobody can tell.
        assert!(!back(Loss::Differs, row(9, &more)) && !back(Loss::Gone, deleted(9, &more)));
        assert!(is_back(Loss::Undeleted, deleted(7, &was), deleted(9, &more)));
    }

    #[test]
    fn ops_make_an_item_what_it_was() {
        let was = record(7, json!({"size": "M", "attributes": {"pleats": 3, "hood": true}}));
        let now = record(5, json!({"size": "L", "tag": "A1", "attributes": {"pleats": 2}}));
        let body = json!({"name": "shell", "kind": "shell_jacket", "size": "M", "attributes": {"pleats": 3, "hood": true}});
        let gone = ops(&item::KIND, row(7, &was), None, Seen::Both);
        assert_eq!(gone, [(Action::Create, body.as_object().unwrap().clone())]);
        let patch = json!({"size": "M", "tag": null, "attributes": {"pleats": 3, "hood": true}});
        let patch = patch.as_object().unwrap().clone();
        assert_eq!(
            ops(&item::KIND, row(7, &was), Some(row(5, &now)), Seen::Both),
            [(Action::Patch, patch.clone())]
        );
        let both = ops(&item::KIND, row(7, &was), Some(deleted(5, &now)), Seen::Both);
        assert_eq!(both, [(Action::Restore, Object::new()), (Action::Patch, patch)]);
        assert_eq!(
            ops(&item::KIND, deleted(7, &was), Some(row(5, &now)), Seen::Both),
            [(Action::Delete, Object::new())]
        );
        assert!(ops(&item::KIND, deleted(7, &was), None, Seen::Both).is_empty());
    }

    #[test]
    fn ops_of_who_has_not_looked_take_nothing_away_from_a_record_written_since() {
        let was = record(7, json!({"size": "M", "attributes": {"hood": true}}));
        let now = record(5, json!({"size": "L", "tag": "A1", "attributes": {"pleats": 2}}));
        let patch = |seq, common| ops(&item::KIND, row(7, &was), Some(row(seq, &now)), Seen::UpTo(common));
        let all = json!({"size": "M", "tag": null, "attributes": {"hood": true, "pleats": null}});
        assert_eq!(patch(5, 5), [(Action::Patch, all.as_object().unwrap().clone())]);
        let some = json!({"size": "M", "attributes": {"hood": true}});
        assert_eq!(patch(9, 5), [(Action::Patch, some.as_object().unwrap().clone())]);
    }

    #[test]
    fn ops_append_a_fact_again_and_void_what_was_voided() {
        let voided = json!({"by": ID, "at": "2026-03-01T09:00:00.000Z", "reason": "wrong pan"});
        let was = record(7, json!({"voided": voided}));
        let void = Object::from_iter([("reason".to_owned(), json!("wrong pan"))]);
        let again = ops(&weighing::KIND, row(7, &was), None, Seen::Both);
        assert_eq!(
            again.iter().map(|(action, _)| *action).collect::<Vec<_>>(),
            [Action::Append, Action::Void]
        );
        let now = record(5, json!({}));
        assert_eq!(
            ops(&weighing::KIND, row(7, &was), Some(row(5, &now)), Seen::Both),
            [(Action::Void, void)]
        );
        assert!(ops(&weighing::KIND, row(5, &now), Some(row(7, &was)), Seen::Both).is_empty());
    }

    #[test]
    fn difference_applied_to_the_one_gives_the_other() {
        let from = json!({"a": 1, "b": {"x": 1, "y": [1]}, "c": "s"}).as_object().unwrap().clone();
        let to = json!({"a": 2, "b": {"y": [2], "z": true}, "d": null}).as_object().unwrap().clone();
        let mut made = from.clone();
        crate::sync::op::merge_patch(&mut made, &difference(&from, &to));
        let mut wanted = to.clone();
        wanted.remove("d");
        assert_eq!(made, wanted);
    }
}
