//! How one op meets one record: the whole decision, pure. A change is taken unit by unit: a unit that nobody else
//! wrote since the op's base is taken, a unit that already has the offered value is left, and a unit that somebody
//! else wrote in the meantime is a contradiction: what stands there stays, and what was offered is kept beside it.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::conflict::Contradiction;
use super::op::{Action, Deciding, Op, OpStatus, merge_patch};
use super::record::{APPENDED, EXISTENCE, Lookup, Stored, UnitMark, Voided};
use crate::kinds::{Freeze, Kind};
use crate::time::Timestamp;
use crate::wire::conflict::About;
use crate::wire::problem::{ErrorCode, FieldError, Problem};
use crate::wire::shape::{self, Object};
use crate::wire::text::Text;

/// How far ahead a fact's time may lie before it is suspect: a day covers every time zone and a slow clock.
const FUTURE_LIMIT_MS: i64 = 24 * 3_600_000;

/// What an op does to its record.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// How it ended, its contradictions aside.
    pub status: OpStatus,
    /// The record as it becomes; none when nothing changes.
    pub change: Option<Stored>,
    /// The merge units that a patch names, changed or not.
    pub touched: Vec<String>,
    /// What of it was not taken because it contradicts what stands.
    pub contradictions: Vec<Contradiction>,
}

impl Outcome {
    fn noop() -> Self {
        Self { status: OpStatus::Noop, change: None, touched: Vec::new(), contradictions: Vec::new() }
    }

    fn applied(record: Stored) -> Self {
        Self { status: OpStatus::Applied, change: Some(record), ..Self::noop() }
    }

    fn held_back(contradiction: Contradiction) -> Self {
        Self { contradictions: vec![contradiction], ..Self::noop() }
    }

    /// Held back as a whole, of an op that names further units which stand as it wants them.
    fn naming(mut self, touched: Vec<String>) -> Self {
        for held in &mut self.contradictions {
            held.unchanged = touched.iter().filter(|unit| !held.units.contains(unit)).cloned().collect();
        }
        Self { touched, ..self }
    }
}

/// Why a fact is voided.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct VoidReason {
    /// In words, for whoever reads the history.
    pub reason: Text<400>,
}

/// Decides one op. `seq` is the number that the change gets if there is one.
///
/// # Errors
/// The problem for which the op is refused.
pub fn decide(
    kind: &'static Kind,
    stored: Option<&Stored>,
    op: &Op,
    seq: i64,
    deciding: &Deciding,
    lookup: &dyn Lookup,
) -> Result<Outcome, Problem> {
    if !kind.knows(op.action) {
        let words = format!("a {} does not take the action {}", kind.name, op.action.name());
        return Err(Problem::invalid(vec![FieldError::new("/action", "invalid", words)]));
    }
    if !kind.allows(&deciding.actor, op.action, stored, &op.payload, lookup) {
        return Err(forbidden(kind, op, deciding));
    }
    // Through a resource a deleted record is not there any more; only a device may still mean it.
    if op.if_version.is_some() && stored.is_some_and(|stored| stored.deleted) {
        return Err(missing(kind, op));
    }
    if let (Some(expected), Some(stored)) = (op.if_version, stored)
        && stored.version != expected
    {
        let words = format!("you read version {expected}, it is now at {}; read it again", stored.version);
        return Err(Problem::new(ErrorCode::PreconditionFailed, words).with("current", stored.to_wire()));
    }
    let case = Case { kind, stored, op, mark: UnitMark::new(seq, deciding.actor.replica), deciding, lookup };
    match op.action {
        Action::Append | Action::Create => case.make(),
        Action::Patch => case.patch(),
        Action::Delete => case.delete(),
        Action::Restore => case.restore(),
        Action::Void => case.void(),
        // A conflict is settled together with its record: that takes more than one record.
        Action::Settle => Err(missing(kind, op)),
    }
}

pub(super) fn forbidden(kind: &Kind, op: &Op, deciding: &Deciding) -> Problem {
    let role = deciding.actor.role.name();
    let name = kind.name.replace('_', " ");
    let words = if op.action == Action::Void {
        format!("a {role} may void only own facts; ask a keeper")
    } else if deciding.actor.role >= kind.least_role && kind.hooks.owner.is_some() {
        format!(
            "a {role} may {} only what is their own; this {name} is another's, ask a keeper",
            op.action.name()
        )
    } else {
        let least = kind.least_role.name();
        format!("a {role} may not {} a {name}; it takes a {least}", op.action.name())
    };
    Problem::new(ErrorCode::Forbidden, words)
}

pub(super) fn missing(kind: &Kind, op: &Op) -> Problem {
    Problem::new(ErrorCode::NotFound, format!("there is no {} {}", kind.name, op.record_id))
}

/// Whether the op's base holds a change. A replica's own earlier ops are part of every later op's base, whatever they
/// were numbered.
fn holds(op: &Op, replica: Option<uuid::Uuid>, seq: i64, by: Option<uuid::Uuid>) -> bool {
    seq <= op.base_seq || (by.is_some() && by == replica)
}

fn observed_too_far_ahead(body: &Object, now: Timestamp) -> bool {
    let observed =
        body.get("observed_at").and_then(Value::as_str).and_then(|text| text.parse::<Timestamp>().ok());
    observed.is_some_and(|observed| observed.millis() - now.millis() > FUTURE_LIMIT_MS)
}

/// The units of a change that are taken, the body that they make, and what is held back: units with their values.
type Parted = (Vec<String>, Object, Vec<(Vec<String>, Object)>);

/// One op and the record that it meets.
struct Case<'a> {
    kind: &'static Kind,
    stored: Option<&'a Stored>,
    op: &'a Op,
    mark: UnitMark,
    deciding: &'a Deciding,
    lookup: &'a dyn Lookup,
}

impl<'a> Case<'a> {
    fn found(&self) -> Result<&'a Stored, Problem> {
        self.stored.ok_or_else(|| missing(self.kind, self.op))
    }

    fn written_since(&self, mark: &UnitMark) -> bool {
        !holds(self.op, self.mark.replica, mark.seq, mark.replica)
    }

    /// What the op's author had seen in a unit, where that is known.
    fn base_of(&self, stored: &Stored, unit: &String) -> Option<Object> {
        let mark = stored.units.get(unit).filter(|mark| self.written_since(mark));
        let Some(mark) = mark else {
            return Some(self.kind.unit_fields(std::slice::from_ref(unit), &stored.body));
        };
        let was = mark.was.as_ref()?;
        holds(self.op, self.mark.replica, was.seq, was.replica).then(|| was.value.clone())
    }

    fn base_of_all(&self, stored: &Stored, units: &[String]) -> Option<Object> {
        units.iter().try_fold(Object::new(), |mut base, unit| {
            merge_patch(&mut base, &self.base_of(stored, unit)?);
            Some(base)
        })
    }

    /// The body in canonical spelling, when its shape, its references and its kind's own rules hold.
    fn checked(&self, body: &Object, stored: Option<&Stored>) -> Result<Object, Problem> {
        let (kind, op) = (self.kind, self.op);
        let body = (kind.normalise)(body).map_err(Problem::invalid)?;
        let bytes = serde_json::to_vec(&body).map_or(usize::MAX, |json| json.len());
        if bytes > kind.max_bytes {
            let words = format!("the record has {bytes} bytes; at most {} are allowed", kind.max_bytes);
            return Err(Problem::new(ErrorCode::PayloadTooLarge, words));
        }
        let mut errors = Vec::new();
        for (reference, id) in kind.references(&body) {
            let unchanged = stored.is_some_and(|s| s.body.get(reference.field) == body.get(reference.field));
            if id == op.record_id && reference.kind == kind.name {
                let at = shape::pointer(&[reference.field]);
                errors.push(FieldError::new(at, "contradiction", "refers to the record itself"));
            } else if !unchanged && self.lookup.get(reference.kind, id).is_none() {
                let words = format!("there is no {} {id} in this kitroom", reference.kind);
                errors.push(FieldError::new(shape::pointer(&[reference.field]), "no-such-record", words));
            }
        }
        for (reference, kitroom) in kind.kitrooms_named(&body) {
            let Some(there) = reference.elsewhere else { continue };
            let renewed = |field: &&str| stored.and_then(|s| s.body.get(*field)) != body.get(*field);
            if self.lookup.is_closed(kitroom)
                && [reference.field, there.kitroom, there.seen].iter().any(renewed)
            {
                let words =
                    format!("you are no member of a kitroom {kitroom}: its records are not yours to name");
                errors.push(FieldError::new(shape::pointer(&[there.kitroom]), "no-such-record", words));
            }
        }
        errors.extend((kind.validate)(&body, stored, self.lookup));
        if errors.is_empty() { Ok(body) } else { Err(Problem::invalid(errors)) }
    }

    /// A contradiction about the op's own record.
    fn contradiction(
        &self,
        about: About,
        units: Vec<String>,
        kept: Option<Object>,
        offered: Option<Object>,
    ) -> Contradiction {
        let base = self.stored.and_then(|stored| self.base_of_all(stored, &units));
        let (kind, record_id) = (self.kind.name, self.op.record_id);
        let (among, unchanged) = (Vec::new(), Vec::new());
        Contradiction { about, kind, record_id, units, base, kept, offered, among, unchanged }
    }

    /// What stands of these units; none when the record is deleted or not there.
    fn standing(&self, units: &[String]) -> Option<Object> {
        let live = self.stored.filter(|stored| !stored.deleted);
        live.map(|stored| self.kind.unit_fields(units, &stored.body))
    }

    /// Whether something keeps the record from being changed: refused for who knows of it, a contradiction for who does
    /// not. `units` and `offered` are what the change would bring.
    fn frozen(
        &self,
        body: &Object,
        units: &[String],
        offered: Option<&Object>,
    ) -> Result<Option<Outcome>, Problem> {
        let Some(Freeze { by, about, code, words }) = self.kind.hooks.freeze else { return Ok(None) };
        let Some(ice) = by(body, self.lookup) else { return Ok(None) };
        let mark = ice.units.get(APPENDED);
        if holds(self.op, self.mark.replica, ice.version, mark.and_then(|mark| mark.replica)) {
            return Err(Problem::new(code, words).with("by", ice.id.to_string()));
        }
        let offered = offered.map(|offered| self.kind.unit_fields(units, offered));
        let contradiction = self.contradiction(about, units.to_vec(), self.standing(units), offered);
        Ok(Some(Outcome::held_back(contradiction)))
    }

    fn make(&self) -> Result<Outcome, Problem> {
        let (kind, op, deciding) = (self.kind, self.op, self.deciding);
        let body = match kind.hooks.complete {
            // Nobody else could have said what its author saw.
            Some(complete) if deciding.actor.replica.is_none() => {
                let mut body = op.payload.clone();
                complete(&mut body, self.lookup);
                self.checked(&body, None)?
            }
            _ => self.checked(&op.payload, None)?,
        };
        match self.stored {
            Some(stored) if stored.deleted => {
                let words = format!("{} {} is deleted; restore it instead", kind.name, op.record_id);
                return Err(Problem::new(ErrorCode::IdDeleted, words));
            }
            Some(stored) if stored.body == body => return Ok(Outcome::noop()),
            Some(_) => {
                let words = format!("there is another {} {} already", kind.name, op.record_id);
                return Err(Problem::new(ErrorCode::Conflict, words));
            }
            None => {}
        }
        let time_suspect = kind.is_fact() && observed_too_far_ahead(&body, deciding.now);
        if time_suspect && deciding.refuse_future_times {
            let words = format!("lies more than 24 h ahead of {}; check the clock", deciding.now);
            return Err(Problem::invalid(vec![FieldError::new("/observed_at", "out-of-range", words)]));
        }
        let mut marks = BTreeMap::new();
        if !kind.is_fact() {
            let units = kind.units_of_patch(&body, &Object::new());
            if let Some(frozen) = self.frozen(&body, &units, Some(&body))? {
                return Ok(frozen);
            }
            marks.insert(EXISTENCE.to_owned(), self.mark.clone());
            marks.extend(units.into_iter().map(|unit| (unit, self.mark.clone())));
        } else if kind.hooks.marked {
            marks.insert(APPENDED.to_owned(), self.mark.clone());
        }
        Ok(Outcome::applied(Stored {
            id: op.record_id,
            version: self.mark.seq,
            units: marks,
            created_by: deciding.actor.account,
            recorded_at: deciding.now,
            deleted: false,
            voided: None,
            time_suspect,
            body,
        }))
    }

    fn patch(&self) -> Result<Outcome, Problem> {
        let (kind, op, stored) = (self.kind, self.op, self.found()?);
        if stored.deleted && !stored.units.get(EXISTENCE).is_some_and(|mark| self.written_since(mark)) {
            let words = format!("{} {} is deleted; restore it first", kind.name, op.record_id);
            return Err(Problem::new(ErrorCode::IdDeleted, words));
        }
        let touched = kind.units_of_patch(&op.payload, &stored.body);
        let written = |unit: &String| stored.units.get(unit).is_some_and(|mark| self.written_since(mark));
        let (offered, sound) = self.offered(stored, &touched, written)?;
        let write_once =
            kind.write_once.iter().filter(|field| stored.body.get(**field) != offered.get(**field));
        let errors: Vec<FieldError> = write_once
            .map(|field| {
                let words = "cannot be changed; make a new record";
                FieldError::new(shape::pointer(&[field]), "write-once", words)
            })
            .collect();
        if !errors.is_empty() {
            return Err(Problem::invalid(errors));
        }

        let differs = |unit: &&String| kind.unit_value(unit, &stored.body) != kind.unit_value(unit, &offered);
        let changed: Vec<String> = touched.iter().filter(differs).cloned().collect();
        if changed.is_empty() {
            return Ok(Outcome { touched, ..Outcome::noop() });
        }
        if stored.deleted {
            let values = self.offered_units(stored, &changed, &offered);
            let contradiction = self.contradiction(About::DeletedVsEdited, changed, None, Some(values));
            return Ok(Outcome::held_back(contradiction).naming(touched));
        }
        if let Some(frozen) = self.frozen(&stored.body, &changed, Some(&offered))? {
            return Ok(frozen.naming(touched));
        }
        let (contested, free): (Vec<String>, Vec<String>) = changed.iter().cloned().partition(written);
        let (free, body, held) = if sound {
            self.split(stored, changed, contested, free, offered)
        } else {
            self.all_held_back(stored, changed, &offered)
        };
        let contradictions = held.into_iter().map(|(units, values)| {
            self.contradiction(About::SameUnit, units.clone(), self.standing(&units), Some(values))
        });
        let contradictions = contradictions.collect();
        if free.is_empty() {
            return Ok(Outcome { touched, contradictions, ..Outcome::noop() });
        }
        let beside_another = stored.units.values().any(|mark| self.written_since(mark));
        let mut record = stored.clone();
        record.version = self.mark.seq;
        for unit in free {
            let before = kind.unit_fields(std::slice::from_ref(&unit), &stored.body);
            let mark = self.mark.after(stored.units.get(&unit), before);
            record.units.insert(unit, mark);
        }
        record.body = body;
        let status = if beside_another { OpStatus::Merged } else { OpStatus::Applied };
        Ok(Outcome { status, change: Some(record), touched, contradictions })
    }

    /// The body that the patch's author means, and whether it is a valid one. A group of fields that somebody else has
    /// written since is completed as the author saw it, where that is known. What is invalid beside somebody else's
    /// change may have been valid where it was made: only its shape is a reason to refuse it then.
    fn offered(
        &self,
        stored: &Stored,
        touched: &[String],
        written: impl Fn(&String) -> bool,
    ) -> Result<(Object, bool), Problem> {
        let mut offered = stored.body.clone();
        for unit in touched.iter().filter(|unit| written(unit)) {
            if let Some(base) = self.base_of(stored, unit) {
                merge_patch(&mut offered, &self.kind.unit_patch(std::slice::from_ref(unit), &base));
            }
        }
        merge_patch(&mut offered, &self.op.payload);
        match self.checked(&offered, Some(stored)) {
            Ok(offered) => Ok((offered, true)),
            Err(problem) if problem.status == 422 && touched.iter().any(written) && !stored.deleted => {
                (self.kind.normalise)(&offered).map(|offered| (offered, false)).map_err(|_| problem)
            }
            Err(problem) => Err(problem),
        }
    }

    /// Parts a change into the units that are taken, the body that they make, and what is held back. Where the free units
    /// do not make a valid record by themselves, all of them are held back together.
    fn split(
        &self,
        stored: &Stored,
        changed: Vec<String>,
        contested: Vec<String>,
        free: Vec<String>,
        offered: Object,
    ) -> Parted {
        if contested.is_empty() {
            return (free, offered, Vec::new());
        }
        let mut body = stored.body.clone();
        merge_patch(&mut body, &self.kind.unit_patch(&free, &offered));
        let Ok(body) = self.checked(&body, Some(stored)) else {
            return self.all_held_back(stored, changed, &offered);
        };
        let each = contested.into_iter().map(|unit| {
            let units = vec![unit];
            let values = self.offered_units(stored, &units, &offered);
            (units, values)
        });
        let each = each.collect();
        (free, body, each)
    }

    fn all_held_back(&self, stored: &Stored, changed: Vec<String>, offered: &Object) -> Parted {
        let values = self.offered_units(stored, &changed, offered);
        (Vec::new(), stored.body.clone(), vec![(changed, values)])
    }

    /// What is offered for these units. Of a group of fields, those that the patch does not name are as its author saw
    /// them, or left out: those of somebody else would make a claim that nobody made.
    fn offered_units(&self, stored: &Stored, units: &[String], offered: &Object) -> Object {
        let mut values = self.kind.unit_fields(units, offered);
        for group in self.kind.groups.iter().filter(|group| units.iter().any(|unit| unit == group.name)) {
            let base = self.base_of(stored, &group.name.to_owned()).unwrap_or_default();
            for field in group.fields.iter().filter(|field| !self.op.payload.contains_key(**field)) {
                match base.get(*field) {
                    Some(value) => values.insert((*field).to_owned(), value.clone()),
                    None => values.remove(*field),
                };
            }
        }
        values
    }

    fn delete(&self) -> Result<Outcome, Problem> {
        let (kind, stored) = (self.kind, self.found()?);
        if stored.deleted {
            return Ok(Outcome::noop());
        }
        if self.lookup.in_use(kind.name, stored.id) {
            let words =
                format!("other records refer to this {}; retire it, or delete those first", kind.name);
            return Err(Problem::new(ErrorCode::InUse, words));
        }
        if let Some(frozen) = self.frozen(&stored.body, &[], None)? {
            return Ok(frozen);
        }
        let since = stored.units.iter().filter(|(_, mark)| self.written_since(mark));
        let since: Vec<String> = since.map(|(unit, _)| unit.clone()).collect();
        if !since.is_empty() {
            let units: Vec<String> = since.into_iter().filter(|unit| unit != EXISTENCE).collect();
            let kept = self.standing(&units);
            let contradiction = self.contradiction(About::EditedVsDeleted, units, kept, None);
            return Ok(Outcome::held_back(contradiction));
        }
        let mut record = stored.clone();
        record.version = self.mark.seq;
        record.deleted = true;
        record.units.insert(EXISTENCE.to_owned(), self.mark.clone());
        Ok(Outcome::applied(record))
    }

    fn restore(&self) -> Result<Outcome, Problem> {
        let (kind, stored) = (self.kind, self.found()?);
        if !stored.deleted {
            return Ok(Outcome::noop());
        }
        let units = kind.units_of_patch(&stored.body, &Object::new());
        if let Some(frozen) = self.frozen(&stored.body, &units, Some(&stored.body))? {
            return Ok(frozen);
        }
        let mut record = stored.clone();
        record.version = self.mark.seq;
        record.deleted = false;
        record.units.insert(EXISTENCE.to_owned(), self.mark.clone());
        Ok(Outcome::applied(record))
    }

    fn void(&self) -> Result<Outcome, Problem> {
        let stored = self.found()?;
        let why: VoidReason = shape::read(&self.op.payload).map_err(Problem::invalid)?;
        if stored.voided.is_some() {
            return Ok(Outcome::noop());
        }
        let (by, at) = (self.deciding.actor.account, self.deciding.now);
        let mut record = stored.clone();
        record.version = self.mark.seq;
        record.voided = Some(Voided { by, at, reason: why.reason.into() });
        Ok(Outcome::applied(record))
    }
}
