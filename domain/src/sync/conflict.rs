//! Contradictions: what becomes a conflict, which conflict it belongs to, whether one still stands, and what settling it
//! writes. Pure, as the merge is. One contradiction is one conflict: what the same device offers later for the same
//! thing takes the place of its earlier offer, and further facts join the conflict that is open.

use sha2::{Digest, Sha256};
use uuid::{Builder, Uuid};

use super::op::{Action, Actor, Op, merge_patch};
use super::record::{Lookup, Stored};
use crate::kinds::{self, Kind, SUPERSEDES, reference_id};
use crate::time::Timestamp;
use crate::wire::conflict::{About, ConflictBody, ConflictFact, Keep, Settle};
use crate::wire::problem::{FieldError, Problem};
use crate::wire::shape::{self, Object};

/// The most facts that a conflict lists.
pub const MOST_FACTS: usize = 500;

/// What an op says against what stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Contradiction {
    /// What contradicts what.
    pub about: About,
    /// The kind of the record that is in question.
    pub kind: &'static str,
    /// That record.
    pub record_id: Uuid,
    /// Its merge units that are in question.
    pub units: Vec<String>,
    /// What the op's author had seen in them, where known.
    pub base: Option<Object>,
    /// What stands; none while the record is deleted or not there.
    pub kept: Option<Object>,
    /// What is offered; none for a deletion.
    pub offered: Option<Object>,
    /// The facts that take part.
    pub among: Vec<ConflictFact>,
    /// Merge units that the op wants as they stand.
    pub unchanged: Vec<String>,
}

impl Contradiction {
    /// One of facts.
    #[must_use]
    pub fn of_facts(about: About, kind: &'static str, record_id: Uuid, among: Vec<ConflictFact>) -> Self {
        let (units, unchanged) = (Vec::new(), Vec::new());
        Self { about, kind, record_id, units, base: None, kept: None, offered: None, among, unchanged }
    }

    /// The id of the conflict that it opens: the same wherever and however often the op is decided.
    #[must_use]
    pub fn id(&self, op: &Op) -> Uuid {
        let record = self.record_id.to_string();
        let mut parts = vec![self.about.name(), self.kind, &record];
        parts.extend(self.units.iter().map(String::as_str));
        derived_id(op.op_id, &parts)
    }

    /// What is stored of it when it opens a conflict.
    #[must_use]
    pub fn into_body(self, op: &Op, actor: &Actor) -> ConflictBody {
        let mut among = self.among;
        among.truncate(MOST_FACTS);
        ConflictBody {
            about: self.about,
            kind: self.kind.to_owned(),
            record_id: self.record_id,
            units: self.units,
            base: self.base,
            kept: self.kept,
            offered: self.offered,
            among,
            action: op.action,
            op_id: op.op_id,
            offered_by: actor.account,
            replica_id: actor.replica,
            done_at: op.done_at,
            resolution: None,
        }
    }

    /// Whether it belongs to this open conflict: the same question, and, of what was offered for a record, the same
    /// device.
    #[must_use]
    pub fn joins(&self, open: &ConflictBody, replica: Option<Uuid>) -> bool {
        if (self.about, self.kind, self.record_id) != (open.about, open.kind.as_str(), open.record_id) {
            return false;
        }
        match self.about {
            About::DeletedVsFact | About::DoubleSupersede | About::StateHeads => true,
            About::SameUnit => self.units == open.units && replica.is_some() && replica == open.replica_id,
            About::DeletedVsEdited | About::EditedVsDeleted | About::SealedVsEdited => {
                replica.is_some() && replica == open.replica_id
            }
        }
    }

    /// Adds it to the open conflict that it belongs to.
    pub fn join(self, open: &mut ConflictBody, op: &Op) {
        let mut facts = std::mem::take(&mut open.among);
        facts.extend(self.among);
        let mut listed: Vec<ConflictFact> = Vec::with_capacity(facts.len());
        for fact in facts {
            if !listed.contains(&fact) && listed.len() < MOST_FACTS {
                listed.push(fact);
            }
        }
        open.among = listed;
        // Further changes of what has not come to be, or of what is to be changed, add to that.
        let goes_on = op.action == Action::Patch && matches!(open.action, Action::Patch | Action::Create);
        if goes_on && let (Some(kind), Some(offered)) = (kinds::kind(self.kind), &self.offered) {
            withdraw(open, kind, &self.unchanged);
            let patch = kind.unit_patch(&self.units, offered);
            merge_patch(open.offered.get_or_insert_default(), &patch);
            open.base = match (open.base.take(), self.base) {
                (Some(mut base), Some(more)) => {
                    let fresh: Vec<String> =
                        self.units.iter().filter(|unit| !open.units.contains(unit)).cloned().collect();
                    merge_patch(&mut base, &kind.unit_fields(&fresh, &more));
                    Some(base)
                }
                _ => None,
            };
            open.units.extend(self.units);
            open.units.sort();
            open.units.dedup();
        } else {
            open.action = op.action;
            open.offered = self.offered;
            open.base = self.base;
            open.units = self.units;
        }
        open.kept = match kinds::kind(self.kind) {
            Some(kind) if open.kept.is_some() => {
                let mut kept = open.kept.take().unwrap_or_default();
                merge_patch(&mut kept, &self.kept.clone().unwrap_or_default());
                self.kept.map(|_| kind.unit_fields(&open.units, &kept))
            }
            _ => self.kept,
        };
        open.op_id = op.op_id;
        open.done_at = op.done_at;
    }
}

/// Takes merge units out of a conflict about which its author, or somebody who has seen it, has said something new.
pub fn withdraw(open: &mut ConflictBody, kind: &Kind, units: &[String]) {
    open.units.retain(|unit| !units.contains(unit));
    for part in [&mut open.base, &mut open.kept, &mut open.offered].into_iter().flatten() {
        *part = kind.unit_fields(&open.units, part);
    }
}

/// An id made from an op's and from what it is for: UUID version 7 with the op's time, so that it sorts beside it.
#[must_use]
pub fn derived_id(op_id: Uuid, parts: &[&str]) -> Uuid {
    let mut hash = Sha256::new();
    hash.update(op_id.as_bytes());
    for part in parts {
        hash.update((part.len() as u64).to_be_bytes());
        hash.update(part.as_bytes());
    }
    let hash = hash.finalize();
    let mut bytes = *op_id.as_bytes();
    bytes[6..].copy_from_slice(&hash[..10]);
    Builder::from_custom_bytes(bytes).with_version(uuid::Version::SortRand).into_uuid()
}

/// The record and the facts that a conflict is about, and what the offer refers to.
#[must_use]
pub fn names(body: &ConflictBody) -> Vec<(&'static str, Uuid)> {
    let facts = body.among.iter().map(|fact| (fact.kind.as_str(), fact.id));
    let all = std::iter::once((body.kind.as_str(), body.record_id)).chain(facts);
    let mut named: Vec<_> = all.filter_map(|(kind, id)| Some((kinds::kind(kind)?.name, id))).collect();
    if let (Some(kind), Some(offered)) = (kinds::kind(&body.kind), &body.offered) {
        named.extend(kind.references(offered).map(|(reference, id)| (reference.kind, id)));
    }
    named
}

fn fact(kind: &Kind, record: &Stored) -> ConflictFact {
    ConflictFact { kind: kind.name.to_owned(), id: record.id }
}

/// The facts that replace this one, voided ones left out, in the order in which they came.
fn rivals(kind: &Kind, superseded: Uuid, lookup: &dyn Lookup) -> Vec<ConflictFact> {
    let all = lookup.referring(kind.name, SUPERSEDES, superseded);
    let mut live: Vec<&Stored> = all.into_iter().filter(|record| record.is_live()).collect();
    live.sort_by_key(|record| (record.recorded_at, record.id));
    live.into_iter().map(|record| fact(kind, record)).collect()
}

/// What a fact that was appended or voided contradicts; it is kept beside it.
#[must_use]
pub fn beside(kind: &Kind, record: &Stored, action: Action, lookup: &dyn Lookup) -> Vec<Contradiction> {
    let mut found = Vec::new();
    if action == Action::Append {
        for (reference, id) in kind.references(&record.body) {
            if lookup.get(reference.kind, id).is_some_and(|target| target.deleted) {
                let among = vec![fact(kind, record)];
                found.push(Contradiction::of_facts(About::DeletedVsFact, reference.kind, id, among));
            }
        }
        if let Some(superseded) = reference_id(&record.body, SUPERSEDES) {
            let among = rivals(kind, superseded, lookup);
            if among.len() > 1 {
                found.push(Contradiction::of_facts(About::DoubleSupersede, kind.name, superseded, among));
            }
        }
    }
    if let (Action::Append | Action::Void, Some(contradicts)) = (action, kind.hooks.contradicts) {
        found.extend(contradicts(record, lookup));
    }
    found
}

/// What an open conflict has come to.
#[derive(Debug, Clone, PartialEq)]
pub enum Standing {
    /// Nothing is left to settle: this side holds.
    Over(Keep),
    /// It stands, with what stands now and the facts that take part now.
    Open(Option<Object>, Vec<ConflictFact>),
}

/// Whether a change of this record can end or move a conflict. A conflict of facts is looked at only when everything that
/// it hangs on is at hand, which is so for a change of one of its facts.
#[must_use]
pub fn concerns(conflict: &ConflictBody, kind: &Kind, record: &Stored, action: Action) -> bool {
    match conflict.about {
        About::SameUnit | About::DeletedVsEdited | About::EditedVsDeleted | About::SealedVsEdited => {
            conflict.kind == kind.name && conflict.record_id == record.id
        }
        About::DeletedVsFact if kind.is_fact() => {
            action == Action::Void && conflict.among.contains(&fact(kind, record))
        }
        About::DeletedVsFact => conflict.kind == kind.name && conflict.record_id == record.id,
        About::DoubleSupersede => {
            conflict.kind == kind.name && reference_id(&record.body, SUPERSEDES) == Some(conflict.record_id)
        }
        About::StateHeads => {
            conflict.among.first().is_some_and(|fact| fact.kind == kind.name)
                && kind
                    .hooks
                    .companions
                    .iter()
                    .any(|companion| (companion.of)(&record.body) == Some(conflict.record_id))
        }
    }
}

/// What an open conflict has come to after a change of `record`, which concerns it.
#[must_use]
pub fn standing(conflict: &ConflictBody, kind: &Kind, record: &Stored, lookup: &dyn Lookup) -> Standing {
    let unmoved = || Standing::Open(conflict.kept.clone(), conflict.among.clone());
    match conflict.about {
        About::SameUnit | About::DeletedVsEdited | About::EditedVsDeleted | About::SealedVsEdited => {
            let kept = (!record.deleted).then(|| kind.unit_fields(&conflict.units, &record.body));
            if kept == conflict.offered {
                Standing::Over(Keep::Offered)
            } else {
                Standing::Open(kept, Vec::new())
            }
        }
        About::DeletedVsFact if !kind.is_fact() => {
            if record.deleted {
                unmoved()
            } else {
                Standing::Over(Keep::Offered)
            }
        }
        About::DeletedVsFact => {
            let voided = |fact: &ConflictFact| {
                lookup.get(&fact.kind, fact.id).is_some_and(|record| record.voided.is_some())
            };
            if conflict.among.iter().all(voided) { Standing::Over(Keep::Kept) } else { unmoved() }
        }
        About::DoubleSupersede => {
            let among = rivals(kind, conflict.record_id, lookup);
            match among.as_slice() {
                [] => Standing::Over(Keep::Other),
                [one] if Some(one) == conflict.among.first() => Standing::Over(Keep::Kept),
                [_] => Standing::Over(Keep::Offered),
                _ => Standing::Open(None, among),
            }
        }
        About::StateHeads => {
            let found = kind.hooks.contradicts.map(|find| find(record, lookup)).unwrap_or_default();
            let same = found
                .into_iter()
                .find(|found| found.about == conflict.about && found.record_id == conflict.record_id);
            match same {
                Some(found) => Standing::Open(None, found.among),
                None => Standing::Over(Keep::Other),
            }
        }
    }
}

/// A change that settling a conflict makes.
#[derive(Debug, Clone, PartialEq)]
pub struct Write {
    /// The kind of the record.
    pub kind: &'static str,
    /// The record.
    pub record_id: Uuid,
    /// What happens to it.
    pub action: Action,
    /// With what.
    pub payload: Object,
}

/// What settling a conflict in this way writes.
///
/// # Errors
/// What is wrong with the wish.
pub fn writes(
    conflict: &ConflictBody,
    wanted: &Settle,
    op: &Op,
    now: Timestamp,
    lookup: &dyn Lookup,
) -> Result<Vec<Write>, Problem> {
    let wrong = |at: &str, code: &str, words: &str| Problem::invalid(vec![FieldError::new(at, code, words)]);
    if wanted.keep != Keep::Other && wanted.value.is_some() {
        return Err(wrong("/value", "contradiction", "goes only with keep: other"));
    }
    let Some(kind) = kinds::kind(&conflict.kind) else {
        return Err(wrong("/keep", "unknown-kind", "this server does not know the kind of the record"));
    };
    let write = |action, payload| Write { kind: kind.name, record_id: conflict.record_id, action, payload };
    let gone = lookup.get(kind.name, conflict.record_id).is_none_or(|record| record.deleted);
    let give = |values: &Object| {
        let patch = kind.unit_patch(&conflict.units, values);
        match conflict.action {
            Action::Create if lookup.get(kind.name, conflict.record_id).is_none() => {
                let mut body = Object::new();
                merge_patch(&mut body, &patch);
                vec![write(Action::Create, body)]
            }
            _ if gone => vec![write(Action::Restore, Object::new()), write(Action::Patch, patch)],
            _ => vec![write(Action::Patch, patch)],
        }
    };
    match conflict.about {
        About::SameUnit | About::DeletedVsEdited | About::EditedVsDeleted | About::SealedVsEdited => {
            match (wanted.keep, &conflict.offered) {
                (Keep::Kept, _) => Ok(Vec::new()),
                (Keep::Offered, Some(offered)) => Ok(give(offered)),
                (Keep::Offered, None) => Ok(vec![write(Action::Delete, Object::new())]),
                (Keep::Other, _) => {
                    let words = "is required with keep: other: the fields in question as they shall be";
                    let value = wanted.value.as_ref().ok_or_else(|| wrong("/value", "missing", words))?;
                    within(kind, &conflict.units, value).map_err(Problem::invalid)?;
                    Ok(give(value))
                }
            }
        }
        About::DeletedVsFact => match wanted.keep {
            Keep::Kept => Ok(Vec::new()),
            Keep::Offered => Ok(vec![write(Action::Restore, Object::new())]),
            Keep::Other => {
                let words = "kept leaves the record deleted, offered restores it; there is no third way";
                Err(wrong("/keep", "invalid", words))
            }
        },
        About::DoubleSupersede => {
            if wanted.value.is_some() {
                let words = "with keep: other both facts stand; to have another value, append a fact";
                return Err(wrong("/value", "invalid", words));
            }
            let among = rivals(kind, conflict.record_id, lookup);
            let stays = match wanted.keep {
                Keep::Kept => among.first(),
                Keep::Offered => among.last(),
                Keep::Other => return Ok(Vec::new()),
            };
            let reason = Object::from_iter([("reason".to_owned(), "another fact holds instead".into())]);
            let voided = among.iter().filter(|fact| Some(*fact) != stays).map(|fact| Write {
                kind: kind.name,
                record_id: fact.id,
                action: Action::Void,
                payload: reason.clone(),
            });
            Ok(voided.collect())
        }
        About::StateHeads => {
            let facts = conflict.among.first().and_then(|fact| kinds::kind(&fact.kind));
            let Some(settles) = facts.and_then(|kind| kind.hooks.settles) else {
                let words = "append an event that names all of them in its after";
                return Err(wrong("/keep", "invalid", words));
            };
            settles(conflict, wanted, op, now, lookup).map_err(Problem::invalid)
        }
    }
}

/// Whether a value speaks only of the units in question.
fn within(kind: &Kind, units: &[String], value: &Object) -> Result<(), Vec<FieldError>> {
    let mut errors = Vec::new();
    for (field, given) in value {
        let at = shape::pointer(&["value", field]);
        let alone = Object::from_iter([(field.clone(), given.clone())]);
        let named = kind.units_of_patch(&alone, &Object::new());
        if kind.maps.contains(&field.as_str()) && !given.is_object() {
            errors.push(FieldError::new(at, "invalid", "must be an object with the keys in question"));
        } else if named.iter().any(|unit| !units.contains(unit)) {
            let words = format!("is not in question here; in question are {}", units.join(", "));
            errors.push(FieldError::new(at, "invalid", words));
        }
    }
    if errors.is_empty() { Ok(()) } else { Err(errors) }
}
