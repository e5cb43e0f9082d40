//! What a step wants done.

use uuid::Uuid;

use super::state::{Cause, Kept};
use crate::wire::problem::Problem;

/// Where the records of a page go.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Layer {
    /// Over those that the service told before.
    Base,
    /// Beside them, until the replacement is whole.
    Incoming,
}

/// One thing to store. All writes of a step are one transaction.
#[derive(Debug, Clone, PartialEq)]
pub enum Write {
    /// What is remembered about a kitroom.
    Room(Uuid, Kept),
    /// The op of [`super::Event::Changed`] enters the outbox under this number.
    Enqueue {
        /// The kitroom.
        kitroom: Uuid,
        /// The op.
        op_id: Uuid,
        /// Its number.
        op_no: i64,
        /// The last change that its author had seen.
        base_seq: i64,
    },
    /// These ops are about to be sent: from now on an answer may have been lost.
    Sent {
        /// The kitroom.
        kitroom: Uuid,
        /// The ops.
        ops: Vec<Uuid>,
    },
    /// The service has taken an op; base does not hold its effect yet.
    Acked {
        /// The kitroom.
        kitroom: Uuid,
        /// The op.
        op_id: Uuid,
        /// The version that a page must bring of its record; 0 when one has.
        version: i64,
        /// The change that base must have reached.
        at: i64,
    },
    /// The service has refused an op for good: it is kept with the reason and leaves the view.
    Rejected {
        /// The kitroom.
        kitroom: Uuid,
        /// The op.
        op_id: Uuid,
        /// Why.
        problem: Option<Problem>,
    },
    /// These ops wait to be sent, again.
    Waiting {
        /// The kitroom.
        kitroom: Uuid,
        /// The ops.
        ops: Vec<Uuid>,
    },
    /// Base holds the effect of these ops: they leave the outbox.
    Forget {
        /// The kitroom.
        kitroom: Uuid,
        /// The ops.
        ops: Vec<Uuid>,
    },
    /// Ops get other numbers, and keep their ids.
    Numbers {
        /// The kitroom.
        kitroom: Uuid,
        /// (op, number).
        numbers: Vec<(Uuid, i64)>,
    },
    /// Ops get another base: what their author had seen is not what the service has.
    Bases {
        /// The kitroom.
        kitroom: Uuid,
        /// (op, last change that both have).
        bases: Vec<(Uuid, i64)>,
    },
    /// The records of the page just pulled.
    Page {
        /// The kitroom.
        kitroom: Uuid,
        /// Where they go.
        into: Layer,
    },
    /// A replacement begins: incoming is emptied, base stays as it is.
    BeginReplace {
        /// The kitroom.
        kitroom: Uuid,
    },
    /// A replacement is whole: incoming becomes base.
    FinishReplace {
        /// The kitroom.
        kitroom: Uuid,
        /// Keep what [`super::recovery::lost`] names, judged with this last common change, for a person to decide; none
        /// when what was not sent again was deleted.
        recover_after: Option<i64>,
    },
    /// The replica's id.
    Replica(Uuid),
    /// Every op of a kitroom goes to another one, under these numbers and with base 0.
    Move {
        /// Where from.
        from: Uuid,
        /// Where to.
        to: Uuid,
        /// (op, number).
        numbers: Vec<(Uuid, i64)>,
    },
    /// Everything of a kitroom leaves this device.
    Purge(Uuid),
}

/// How a kitroom's turn ended, or a poll. What was done before stays done; the outbox is never touched by an end.
#[derive(Debug, Clone, PartialEq)]
pub enum End {
    /// Everything was sent, and everything was got.
    Synced,
    /// No answer, and the patience is used up; the service may have asked for a longer pause.
    Unreachable {
        /// What it asked for, in milliseconds.
        after_ms: Option<u64>,
    },
    /// The service does not accept this device's token: log in again.
    LoggedOut,
    /// The service does not take this client's schema; what it has was got all the same.
    Schema {
        /// The oldest version that it takes.
        min: i32,
        /// The newest.
        current: i32,
    },
    /// The service no longer mentions the kitroom, and does not say that this account was removed: stop and ask.
    Absent,
    /// The service misses ops of this replica that are not here any more: stop and ask.
    Gap {
        /// The number of the last one that it has.
        last_op_no: i64,
    },
    /// A kitroom's base cannot be replaced: it changed each time. Stop and ask.
    Unsteady(Cause),
    /// Refused as a whole: stop and ask.
    Refused(Problem),
}

/// One thing to do.
#[derive(Debug, Clone, PartialEq)]
pub enum Effect {
    /// Ask for the state of all kitrooms.
    Poll {
        /// To be given back with the answer.
        ticket: u64,
    },
    /// A kitroom of the service that is not on this device: note it, then [`super::Event::Joined`].
    Learn {
        /// The kitroom.
        kitroom: Uuid,
    },
    /// Send ops.
    Push {
        /// The kitroom.
        kitroom: Uuid,
        /// To be given back with the answer.
        ticket: u64,
        /// Who sends.
        replica: Uuid,
        /// The ops, in this order.
        ops: Vec<Uuid>,
        /// The cursor of the last page in base.
        cursor: Option<String>,
        /// What the service gave with the last push.
        ack: Option<String>,
    },
    /// Get a page of changes.
    Pull {
        /// The kitroom.
        kitroom: Uuid,
        /// To be given back with the answer.
        ticket: u64,
        /// Where to go on; none for the beginning.
        cursor: Option<String>,
        /// What the service gave with the last push, or, while a base is replaced, the best that shows which history it
        /// rests on; none where the service is known to have lost that.
        ack: Option<String>,
    },
    /// Find the last change that base and incoming have in common.
    Compare {
        /// The kitroom.
        kitroom: Uuid,
        /// To be given back with the answer.
        ticket: u64,
    },
    /// Write what was not sent or was refused to a file and tell the person; then [`super::Event::Exported`].
    Export {
        /// The kitroom.
        kitroom: Uuid,
    },
    /// Pause, then [`super::Event::Waited`].
    Wait {
        /// The kitroom; none for a poll.
        kitroom: Option<Uuid>,
        /// To be given back.
        ticket: u64,
        /// How long, in milliseconds.
        ms: u64,
    },
    /// A kitroom's turn is over, or a poll's that failed.
    Ended {
        /// The kitroom; none for a poll.
        kitroom: Option<Uuid>,
        /// How.
        end: End,
    },
}

/// What one event leads to.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Step {
    /// To be stored in one transaction, before anything else.
    pub writes: Vec<Write>,
    /// To be done then.
    pub effects: Vec<Effect>,
}
