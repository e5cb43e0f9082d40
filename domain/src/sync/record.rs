//! A record as it is stored, whatever its kind.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use serde_json::{Value, json};
use uuid::Uuid;

use crate::kinds::Kind;
use crate::time::Timestamp;
use crate::wire::shape::Object;

/// Which change wrote a merge unit last.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct UnitMark {
    /// The change's number.
    #[serde(rename = "s")]
    pub seq: i64,
    /// The replica that it came from; none for a change through a resource.
    #[serde(rename = "r", default, skip_serializing_if = "Option::is_none")]
    pub replica: Option<Uuid>,
    /// What stood there before, when that was a change as well and is short: what somebody who does not know this change
    /// has seen.
    #[serde(rename = "w", default, skip_serializing_if = "Option::is_none")]
    pub was: Option<Box<Was>>,
}

/// What a merge unit held before its last change.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Was {
    /// The number of the change that wrote it.
    #[serde(rename = "s")]
    pub seq: i64,
    /// The replica that that one came from.
    #[serde(rename = "r", default, skip_serializing_if = "Option::is_none")]
    pub replica: Option<Uuid>,
    /// The unit's fields.
    #[serde(rename = "v")]
    pub value: Object,
}

impl UnitMark {
    /// The longest former value that is kept, in bytes of JSON.
    const WAS_AT_MOST: usize = 512;

    /// Of a change.
    #[must_use]
    pub fn new(seq: i64, replica: Option<Uuid>) -> Self {
        Self { seq, replica, was: None }
    }

    /// The mark of a change that takes the place of `before`, which held `value`.
    #[must_use]
    pub fn after(&self, before: Option<&Self>, value: Object) -> Self {
        let short = serde_json::to_vec(&value).is_ok_and(|json| json.len() <= Self::WAS_AT_MOST);
        // A unit that was never written held nothing since the record was made.
        let (seq, replica) = before.map_or((0, None), |before| (before.seq, before.replica));
        let was = short.then(|| Box::new(Was { seq, replica, value }));
        Self { was, ..self.clone() }
    }
}

/// That a fact was voided: write-once.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Voided {
    /// Who voided it.
    pub by: Uuid,
    /// When the server heard of it.
    pub at: Timestamp,
    /// Why.
    pub reason: String,
}

/// The merge unit that stands for a record's own existence: written by create, delete and restore.
pub const EXISTENCE: &str = "";

/// What marks a fact of those kinds that remember the replica that it came from; no field has this name.
pub const APPENDED: &str = "+";

/// A record: what its kind stores, and what every record carries.
#[derive(Debug, Clone, PartialEq)]
pub struct Stored {
    /// Its id.
    pub id: Uuid,
    /// The number of its last change.
    pub version: i64,
    /// Which change wrote each merge unit last (mutable kinds).
    pub units: BTreeMap<String, UnitMark>,
    /// Who made it.
    pub created_by: Uuid,
    /// When the server first had it.
    pub recorded_at: Timestamp,
    /// Whether it is deleted (mutable kinds).
    pub deleted: bool,
    /// Whether it is voided (facts).
    pub voided: Option<Voided>,
    /// Whether its time lies so far ahead that no calculation uses it (facts).
    pub time_suspect: bool,
    /// What its kind stores, in canonical spelling.
    pub body: Object,
}

impl Stored {
    /// Whether it counts: neither deleted nor voided.
    #[must_use]
    pub fn is_live(&self) -> bool {
        !self.deleted && self.voided.is_none()
    }

    /// The record as the feed and the resources show it: the stored fields, flat.
    #[must_use]
    pub fn to_wire(&self) -> Object {
        let mut record = self.body.clone();
        record.insert("id".into(), json!(self.id));
        record.insert("version".into(), json!(self.version));
        record.insert("created_by".into(), json!(self.created_by));
        record.insert("recorded_at".into(), json!(self.recorded_at));
        if let Some(voided) = &self.voided {
            record.insert("voided".into(), json!(voided));
        }
        if self.time_suspect {
            record.insert("time_suspect".into(), json!(true));
        }
        if !self.units.contains_key(EXISTENCE) {
            record.insert("recorded_by".into(), json!(self.created_by));
        }
        record
    }

    /// Reads a record from the feed. Merge-unit marks are the server's own and do not travel.
    #[must_use]
    pub fn from_wire(kind: &Kind, record: &Object) -> Option<Self> {
        let mut body = record.clone();
        let mut take = |name: &str| body.remove(name);
        let id = crate::ids::parse_v7(take("id")?.as_str()?).ok()?;
        let version = take("version")?.as_i64()?;
        let created_by = serde_json::from_value(take("created_by")?).ok()?;
        let recorded_at = serde_json::from_value(take("recorded_at")?).ok()?;
        let voided = match take("voided") {
            Some(value) => Some(serde_json::from_value(value).ok()?),
            None => None,
        };
        let time_suspect = take("time_suspect").is_some_and(|value| value == Value::Bool(true));
        take("recorded_by");
        let units = if kind.is_fact() {
            BTreeMap::new()
        } else {
            BTreeMap::from([(EXISTENCE.to_owned(), UnitMark::new(version, None))])
        };
        Some(Self { id, version, units, created_by, recorded_at, deleted: false, voided, time_suspect, body })
    }
}

/// What a validation may look at: the records that the change refers to, as they are with the batch so far applied.
pub trait Lookup {
    /// The record, deleted or voided ones included.
    fn get(&self, kind: &str, id: Uuid) -> Option<&Stored>;
    /// Whether a live record refers to this one.
    fn in_use(&self, kind: &str, id: Uuid) -> bool;
    /// The records of `kind` that are here and whose `field` names this record, in the order of their last change.
    fn referring(&self, kind: &str, field: &str, id: Uuid) -> Vec<&Stored>;
    /// Whether the writer is known to be no member of that other kitroom; a device leaves it to the service to say so.
    fn is_closed(&self, _kitroom: Uuid) -> bool {
        false
    }
}
