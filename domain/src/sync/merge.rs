//! How one op meets one record: the whole decision, pure. A change is taken unit by unit: a unit that nobody else
//! wrote since the op's base is taken, a unit that already has the offered value is left, and a unit that somebody
//! else wrote in the meantime is a contradiction.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::Value;

use super::op::{Action, Deciding, Op, OpStatus, merge_patch};
use super::record::{EXISTENCE, Lookup, Stored, UnitMark, Voided};
use crate::kinds::Kind;
use crate::time::Timestamp;
use crate::wire::problem::{ErrorCode, FieldError, Problem};
use crate::wire::shape::{self, Object};
use crate::wire::sync::MAX_RECORD_BYTES;
use crate::wire::text::Text;

/// How far ahead a fact's time may lie before it is suspect: a day covers every time zone and a slow clock.
const FUTURE_LIMIT_MS: i64 = 24 * 3_600_000;

/// What an op does to its record.
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// How it ended.
    pub status: OpStatus,
    /// The record as it becomes; none when nothing changes.
    pub change: Option<Stored>,
}

impl Outcome {
    fn noop() -> Self {
        Self { status: OpStatus::Noop, change: None }
    }

    fn applied(record: Stored) -> Self {
        Self { status: OpStatus::Applied, change: Some(record) }
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
    if !kind.allows(&deciding.actor, op.action, stored) {
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
    let mark = UnitMark { seq, replica: deciding.actor.replica };
    match op.action {
        Action::Append | Action::Create => make(kind, stored, op, mark, deciding, lookup),
        Action::Patch => patch(kind, stored, op, mark, lookup),
        Action::Delete => delete(kind, stored, op, mark, lookup),
        Action::Restore => restore(kind, stored, op, mark),
        Action::Void => void(kind, stored, op, mark, deciding),
    }
}

fn forbidden(kind: &Kind, op: &Op, deciding: &Deciding) -> Problem {
    let role = deciding.actor.role.name();
    let words = if op.action == Action::Void {
        format!("a {role} may void only own facts; ask a keeper")
    } else {
        let least = kind.least_role.name();
        format!("a {role} may not {} a {}; it takes a {least}", op.action.name(), kind.name)
    };
    Problem::new(ErrorCode::Forbidden, words)
}

fn missing(kind: &Kind, op: &Op) -> Problem {
    Problem::new(ErrorCode::NotFound, format!("there is no {} {}", kind.name, op.record_id))
}

fn written_since(mark: &UnitMark, op: &Op, replica: Option<uuid::Uuid>) -> bool {
    // A replica's own earlier ops are part of every later op's base, whatever they were numbered.
    mark.seq > op.base_seq && (mark.replica.is_none() || mark.replica != replica)
}

fn make(
    kind: &'static Kind,
    stored: Option<&Stored>,
    op: &Op,
    mark: UnitMark,
    deciding: &Deciding,
    lookup: &dyn Lookup,
) -> Result<Outcome, Problem> {
    let body = checked(kind, &op.payload, None, op, lookup)?;
    match stored {
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
    let mut units = BTreeMap::new();
    if !kind.is_fact() {
        units.insert(EXISTENCE.to_owned(), mark);
        units.extend(kind.units_of_patch(&body, &Object::new()).into_iter().map(|unit| (unit, mark)));
    }
    Ok(Outcome::applied(Stored {
        id: op.record_id,
        version: mark.seq,
        units,
        created_by: deciding.actor.account,
        recorded_at: deciding.now,
        deleted: false,
        voided: None,
        time_suspect,
        body,
    }))
}

fn observed_too_far_ahead(body: &Object, now: Timestamp) -> bool {
    let observed =
        body.get("observed_at").and_then(Value::as_str).and_then(|text| text.parse::<Timestamp>().ok());
    observed.is_some_and(|observed| observed.millis() - now.millis() > FUTURE_LIMIT_MS)
}

/// The body in canonical spelling, when its shape, its references and its kind's own rules hold.
fn checked(
    kind: &'static Kind,
    body: &Object,
    stored: Option<&Stored>,
    op: &Op,
    lookup: &dyn Lookup,
) -> Result<Object, Problem> {
    let body = (kind.normalise)(body).map_err(Problem::invalid)?;
    let bytes = serde_json::to_vec(&body).map_or(usize::MAX, |json| json.len());
    if bytes > MAX_RECORD_BYTES {
        let words = format!("the record has {bytes} bytes; at most {MAX_RECORD_BYTES} are allowed");
        return Err(Problem::new(ErrorCode::PayloadTooLarge, words));
    }
    let mut errors = Vec::new();
    for (reference, id) in kind.references(&body) {
        let unchanged = stored.is_some_and(|s| s.body.get(reference.field) == body.get(reference.field));
        if id == op.record_id && reference.kind == kind.name {
            let at = shape::pointer(&[reference.field]);
            errors.push(FieldError::new(at, "contradiction", "refers to the record itself"));
        } else if !unchanged && lookup.get(reference.kind, id).is_none() {
            let words = format!("there is no {} {id} in this kitroom", reference.kind);
            errors.push(FieldError::new(shape::pointer(&[reference.field]), "no-such-record", words));
        }
    }
    errors.extend((kind.validate)(&body, stored, lookup));
    if errors.is_empty() { Ok(body) } else { Err(Problem::invalid(errors)) }
}

fn patch(
    kind: &'static Kind,
    stored: Option<&Stored>,
    op: &Op,
    mark: UnitMark,
    lookup: &dyn Lookup,
) -> Result<Outcome, Problem> {
    let stored = stored.ok_or_else(|| missing(kind, op))?;
    if stored.deleted {
        let words =
            format!("the {} was deleted in the meantime; restore it first or drop the change", kind.name);
        return Err(Problem::new(ErrorCode::ConflictPending, words).with("offered", op.payload.clone()));
    }
    let mut offered = stored.body.clone();
    merge_patch(&mut offered, &op.payload);
    let offered = checked(kind, &offered, Some(stored), op, lookup)?;
    let write_once = kind.write_once.iter().filter(|field| stored.body.get(**field) != offered.get(**field));
    let errors: Vec<FieldError> = write_once
        .map(|field| {
            FieldError::new(shape::pointer(&[field]), "write-once", "cannot be changed; make a new record")
        })
        .collect();
    if !errors.is_empty() {
        return Err(Problem::invalid(errors));
    }

    let touched = kind.units_of_patch(&op.payload, &stored.body);
    let changed: Vec<&String> = touched
        .iter()
        .filter(|unit| kind.unit_value(unit, &stored.body) != kind.unit_value(unit, &offered))
        .collect();
    if changed.is_empty() {
        return Ok(Outcome::noop());
    }
    let contested: Vec<&str> = changed
        .iter()
        .filter(|unit| stored.units.get(**unit).is_some_and(|m| written_since(m, op, mark.replica)))
        .map(|unit| unit.as_str())
        .collect();
    if !contested.is_empty() {
        let words = format!("someone else changed {} since you last synced", contested.join(", "));
        return Err(Problem::new(ErrorCode::ConflictPending, words)
            .with("units", contested)
            .with("current", stored.to_wire())
            .with("offered", op.payload.clone()));
    }
    let beside_another = stored.units.values().any(|m| written_since(m, op, mark.replica));
    let mut record = stored.clone();
    record.version = mark.seq;
    record.units.extend(changed.into_iter().map(|unit| (unit.clone(), mark)));
    record.body = offered;
    let status = if beside_another { OpStatus::Merged } else { OpStatus::Applied };
    Ok(Outcome { status, change: Some(record) })
}

fn delete(
    kind: &'static Kind,
    stored: Option<&Stored>,
    op: &Op,
    mark: UnitMark,
    lookup: &dyn Lookup,
) -> Result<Outcome, Problem> {
    let stored = stored.ok_or_else(|| missing(kind, op))?;
    if stored.deleted {
        return Ok(Outcome::noop());
    }
    if stored.units.values().any(|m| written_since(m, op, mark.replica)) {
        let words = format!("someone else changed the {} since you last synced; look at it first", kind.name);
        return Err(Problem::new(ErrorCode::ConflictPending, words).with("current", stored.to_wire()));
    }
    if lookup.in_use(kind.name, stored.id) {
        let words = format!("other records refer to this {}; retire it, or delete those first", kind.name);
        return Err(Problem::new(ErrorCode::InUse, words));
    }
    let mut record = stored.clone();
    record.version = mark.seq;
    record.deleted = true;
    record.units.insert(EXISTENCE.to_owned(), mark);
    Ok(Outcome::applied(record))
}

fn restore(
    kind: &'static Kind,
    stored: Option<&Stored>,
    op: &Op,
    mark: UnitMark,
) -> Result<Outcome, Problem> {
    let stored = stored.ok_or_else(|| missing(kind, op))?;
    if !stored.deleted {
        return Ok(Outcome::noop());
    }
    let mut record = stored.clone();
    record.version = mark.seq;
    record.deleted = false;
    record.units.insert(EXISTENCE.to_owned(), mark);
    Ok(Outcome::applied(record))
}

fn void(
    kind: &'static Kind,
    stored: Option<&Stored>,
    op: &Op,
    mark: UnitMark,
    deciding: &Deciding,
) -> Result<Outcome, Problem> {
    let stored = stored.ok_or_else(|| missing(kind, op))?;
    let why: VoidReason = shape::read(&op.payload).map_err(Problem::invalid)?;
    if stored.voided.is_some() {
        return Ok(Outcome::noop());
    }
    let mut record = stored.clone();
    record.version = mark.seq;
    record.voided = Some(Voided { by: deciding.actor.account, at: deciding.now, reason: why.reason.into() });
    Ok(Outcome::applied(record))
}
