//! Looking after conflicts: opening them, adding to them, keeping what they show true, ending them.

use std::collections::BTreeMap;

use uuid::Uuid;

use super::{CONFLICT, Working};
use crate::kinds::Kind;
use crate::sync::conflict::{Contradiction, Standing, concerns, standing, withdraw};
use crate::sync::merge::decide;
use crate::sync::op::{Action, Deciding, Op, OpResult, OpStatus};
use crate::sync::record::{EXISTENCE, Stored, UnitMark};
use crate::wire::conflict::{About, ConflictBody, Keep, Resolution};
use crate::wire::problem::Problem;
use crate::wire::shape::{self, Object};

/// What an op has done besides changing its record.
pub(super) struct Wrote {
    /// The merge units that its patch names.
    pub(super) touched: Vec<String>,
    /// Those of them that were held back.
    pub(super) held: Vec<String>,
    /// The conflicts that have been looked after.
    pub(super) done: Vec<Uuid>,
}

impl Working {
    /// The open conflicts about a record.
    fn open_conflicts(&self, record: Uuid) -> Vec<(Stored, ConflictBody)> {
        let ids = self.conflicts.get(&record).into_iter().flatten();
        ids.filter_map(|id| {
            let stored = self.records.get(&(CONFLICT.name, *id))?;
            let body = shape::read::<ConflictBody>(&stored.body).ok()?;
            body.is_open().then(|| (stored.clone(), body))
        })
        .collect()
    }

    /// Opens a conflict, or adds to the one that is open; answers its id.
    pub(super) fn open(&mut self, found: Contradiction, op: &Op, deciding: &Deciding) -> Uuid {
        let actor = &deciding.actor;
        let open = self.open_conflicts(found.record_id);
        let joined = open.into_iter().find(|(_, body)| found.joins(body, actor.replica));
        let record = match joined {
            Some((stored, mut body)) => {
                found.join(&mut body, op);
                let body = object(&body);
                if body == stored.body {
                    return stored.id;
                }
                Stored { body, ..stored }
            }
            None => Stored {
                id: found.id(op),
                version: 0,
                units: BTreeMap::new(),
                created_by: actor.account,
                recorded_at: deciding.now,
                deleted: false,
                voided: None,
                time_suspect: false,
                body: object(&found.into_body(op, actor)),
            },
        };
        let id = record.id;
        self.put_conflict(record);
        id
    }

    /// Gives a conflict its place, under the next number.
    fn put_conflict(&mut self, mut record: Stored) {
        record.version = self.head + 1;
        record.units = BTreeMap::from([(EXISTENCE.to_owned(), UnitMark::new(record.version, None))]);
        self.put(CONFLICT, record);
    }

    /// Ends or moves the open conflicts that a change concerns. What was offered for a merge unit is also over when
    /// somebody who has seen the conflict, or the device that made the offer, writes the unit anew. Who has read only the
    /// record, through a resource, has not seen the conflict.
    pub(super) fn follow(
        &mut self,
        kind: &'static Kind,
        record: &Stored,
        op: &Op,
        deciding: &Deciding,
        wrote: &Wrote,
    ) {
        let named = kind.references(&record.body).map(|(_, id)| id).filter(|_| kind.is_fact());
        let mut about: Vec<Uuid> = std::iter::once(record.id).chain(named).collect();
        about.retain(|id| self.conflicts.contains_key(id));
        for (stored, body) in about.into_iter().flat_map(|id| self.open_conflicts(id)).collect::<Vec<_>>() {
            if wrote.done.contains(&stored.id) || !concerns(&body, kind, record, op.action) {
                continue;
            }
            let own = body.replica_id.is_some() && body.replica_id == deciding.actor.replica;
            let seen = op.if_version.is_none() && op.base_seq >= stored.version;
            let anew = |unit: &&String| {
                let said = own || (seen && !wrote.held.contains(unit));
                op.action == Action::Patch && said && wrote.touched.contains(unit)
            };
            let renewed: Vec<String> = match body.about {
                About::SameUnit | About::DeletedVsEdited | About::SealedVsEdited => {
                    body.units.iter().filter(anew).cloned().collect()
                }
                _ => Vec::new(),
            };
            match standing(&body, kind, record, &*self) {
                Standing::Over(keep) => self.close(stored, body, keep, None, op, deciding),
                Standing::Open(kept, _) if !renewed.is_empty() && renewed.len() == body.units.len() => {
                    let keep = if kept == body.kept { Keep::Kept } else { Keep::Other };
                    self.close(stored, body, keep, None, op, deciding);
                }
                Standing::Open(kept, _) if !renewed.is_empty() => {
                    let mut body = ConflictBody { kept, ..body };
                    withdraw(&mut body, kind, &renewed);
                    self.put_conflict(Stored { body: object(&body), ..stored });
                }
                Standing::Open(kept, among) if kept != body.kept || among != body.among => {
                    let body = object(&ConflictBody { kept, among, ..body });
                    self.put_conflict(Stored { body, ..stored });
                }
                Standing::Open(..) => {}
            }
        }
    }

    /// Closes a conflict.
    pub(in crate::sync) fn close(
        &mut self,
        stored: Stored,
        body: ConflictBody,
        keep: Keep,
        value: Option<Object>,
        op: &Op,
        deciding: &Deciding,
    ) {
        let (by, at) = (deciding.actor.account, deciding.now);
        let resolution = Resolution { keep, value, action: op.action, op_id: op.op_id, by, at };
        let body = object(&ConflictBody { resolution: Some(resolution), ..body });
        self.put_conflict(Stored { body, ..stored });
    }

    /// The open conflict that holds back the making of the op's record by the same device.
    pub(super) fn held_creation(&self, op: &Op, deciding: &Deciding) -> Option<(Stored, ConflictBody)> {
        let goes_on = !self.foresees && matches!(op.action, Action::Patch | Action::Delete);
        let replica = deciding.actor.replica.filter(|_| goes_on)?;
        let held = self.open_conflicts(op.record_id).into_iter();
        held.filter(|(_, body)| body.action == Action::Create && body.kind == op.kind)
            .find(|(_, body)| body.replica_id == Some(replica))
    }

    /// A device goes on with a record whose making is held back: a change is added to the offer, a deletion takes it back.
    pub(super) fn amend(
        &mut self,
        kind: &'static Kind,
        op: &Op,
        deciding: &Deciding,
        conflict: Stored,
        body: ConflictBody,
    ) -> Result<OpResult, Problem> {
        let answer = |status, seq, conflict_ids| OpResult {
            op_id: op.op_id,
            status,
            seq: Some(seq),
            replayed: false,
            problem: None,
            conflict_ids,
        };
        if op.action == Action::Delete {
            self.close(conflict, body, Keep::Kept, None, op, deciding);
            return Ok(answer(OpStatus::Noop, self.head, Vec::new()));
        }
        let offered = body.offered.clone().unwrap_or_default();
        let as_if = Stored { units: BTreeMap::new(), id: op.record_id, body: offered, ..conflict.clone() };
        let outcome = decide(kind, Some(&as_if), op, self.head + 1, deciding, &*self)?;
        let patched = match (outcome.contradictions.into_iter().next(), outcome.change) {
            (Some(Contradiction { units, offered: Some(offered), .. }), _) => Some((units, offered)),
            (_, Some(record)) => Some((outcome.touched, record.body)),
            _ => None,
        };
        let Some((units, offered)) = patched else {
            return Ok(answer(OpStatus::Noop, conflict.version, Vec::new()));
        };
        let offered = Some(kind.unit_fields(&units, &offered));
        let found = Contradiction {
            units,
            offered,
            ..Contradiction::of_facts(body.about, kind.name, op.record_id, Vec::new())
        };
        let id = self.open(found, op, deciding);
        Ok(answer(OpStatus::Conflict, self.head, vec![id]))
    }
}

/// A conflict's body as it is stored.
fn object(body: &ConflictBody) -> Object {
    match serde_json::to_value(body) {
        Ok(serde_json::Value::Object(object)) => object,
        // A struct with named fields is always an object.
        _ => Object::new(),
    }
}
