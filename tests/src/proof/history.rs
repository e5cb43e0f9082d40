//! What was recorded of a history: every op that a person made and what came of it, and every state that a replica
//! reached. Each value is written once, so that a stored value names its writer.

use std::collections::BTreeSet;

use domain::sync::op::Action;
use domain::wire::shape::Object;
use serde::Serialize;
use uuid::Uuid;

/// What a line says of its op.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Moment {
    /// It was made, or asked for.
    Invoke,
    /// It was done.
    Ok,
    /// It was refused for good, or rolled back.
    Fail,
    /// It may have happened or not.
    Info,
}

/// A line of a history.
#[derive(Debug, Clone, Serialize)]
pub struct Line {
    /// The place in the history; no clock.
    pub t: u64,
    /// The replica.
    pub replica: usize,
    /// What the line says.
    #[serde(rename = "type")]
    pub moment: Moment,
    /// Of what.
    pub op: What,
}

/// What was done.
#[derive(Debug, Clone, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum What {
    /// An op of a person.
    Write(Write),
    /// A replica was looked at.
    Read(Read),
}

/// An op of a person.
#[derive(Debug, Clone, Serialize)]
pub struct Write {
    /// Its id.
    pub op_id: Uuid,
    /// The kind of its record.
    pub kind: String,
    /// Its record.
    pub record: Uuid,
    /// What it does.
    pub action: Action,
    /// The last change that its author had seen.
    pub base_seq: i64,
    /// Its content.
    pub payload: Object,
    /// The change that it became, once it is known.
    pub seq: Option<i64>,
}

/// What a replica held.
#[derive(Debug, Clone, Serialize)]
pub struct Read {
    /// Counts how often the replica was put back or began anew: only within one life do reads go forward.
    pub life: u32,
    /// The last change that it had reached.
    pub seq: i64,
    /// The records that it showed.
    pub sees: BTreeSet<Uuid>,
}

/// Writes a history.
#[derive(Debug, Default)]
pub struct Recorder {
    /// The lines so far.
    pub lines: Vec<Line>,
}

impl Recorder {
    /// Adds a line.
    pub fn note(&mut self, replica: usize, moment: Moment, op: What) {
        let t = self.lines.len() as u64;
        self.lines.push(Line { t, replica, moment, op });
    }

    /// Adds a line about an op.
    pub fn write(&mut self, replica: usize, moment: Moment, write: Write) {
        self.note(replica, moment, What::Write(write));
    }

    /// Adds what a replica held.
    pub fn read(&mut self, replica: usize, read: Read) {
        self.note(replica, Moment::Ok, What::Read(read));
    }

    /// The history as lines of JSON.
    #[must_use]
    pub fn to_text(lines: &[Line]) -> String {
        lines
            .iter()
            .filter_map(|line| serde_json::to_string(line).ok())
            .fold(String::new(), |all, line| all + &line + "\n")
    }
}
