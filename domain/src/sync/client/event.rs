//! What happens to a replica.

use uuid::Uuid;

use super::outbox::Entry;
use super::state::Limits;
use crate::sync::op::OpResult;
use crate::wire::problem::Problem;

/// What a step may need and cannot compute; drawn anew for each step, whether it is used or not.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Luck {
    /// Evenly spread over all of `u32`: the jitter of a pause.
    pub roll: u32,
    /// A fresh UUIDv7: the replica's id when it needs a new one.
    pub id: Uuid,
}

/// An op that a person's change makes, before it has a number.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct NewOp {
    /// Its id.
    pub op_id: Uuid,
    /// Its group; ops of one group come in one event, next to each other.
    pub group: String,
    /// Its record.
    pub record_id: Uuid,
    /// The last change that its author has seen, where that is less than the base has.
    pub seen: Option<i64>,
    /// Its size in a push, in bytes of JSON with the comma behind it.
    pub bytes: usize,
}

/// One of the account's kitrooms as a poll shows it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct PolledRoom {
    /// The kitroom.
    pub kitroom: Uuid,
    /// Its epoch.
    pub epoch: Uuid,
}

/// A page of changes without its records, which the driver holds until [`super::Write::Page`] says where they go.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PageHead {
    /// The kitroom's epoch.
    pub epoch: Uuid,
    /// (record, seq) of each change, in the order of the page.
    pub rows: Vec<(Uuid, i64)>,
    /// Where to go on.
    pub next_cursor: String,
    /// Whether there is more now.
    pub has_more: bool,
    /// The number of the kitroom's last change as the page saw it.
    pub head_seq: i64,
}

/// Why a request has no result.
#[derive(Debug, Clone, PartialEq)]
pub enum Failure {
    /// No answer, or none that can be read. What was asked may have been done.
    Lost,
    /// 408, 425, 429 or 5xx: nothing is promised beyond what was committed before.
    Busy {
        /// What `Retry-After` asks for, in milliseconds.
        after_ms: Option<u64>,
    },
    /// Refused as a whole, 401 included.
    Refused(Problem),
}

/// What happens.
#[derive(Debug, Clone, PartialEq)]
pub enum Event {
    /// A person's change enters the outbox.
    Changed {
        /// The kitroom.
        kitroom: Uuid,
        /// Its ops, in their order.
        ops: Vec<NewOp>,
    },
    /// Ops that another process of this device has put into the outbox since, already numbered and stored.
    Noticed {
        /// The kitroom.
        kitroom: Uuid,
        /// The ops, in their order.
        entries: Vec<Entry>,
    },
    /// A round begins.
    Begin,
    /// The answer to [`super::Effect::Poll`].
    Polled {
        /// The effect's ticket.
        ticket: u64,
        /// The account's kitrooms.
        rooms: Vec<PolledRoom>,
        /// Those that it was removed from.
        removed: Vec<Uuid>,
        /// The schema versions that the service takes: the oldest and the newest.
        schema: (i32, i32),
        /// The limits of a push.
        limits: Limits,
    },
    /// A kitroom is on this device and on the service from now on: it was made or found there.
    Joined {
        /// The kitroom.
        kitroom: Uuid,
    },
    /// A kitroom's turn: send, then get.
    Sync {
        /// The kitroom.
        kitroom: Uuid,
    },
    /// The answer to [`super::Effect::Push`].
    Pushed {
        /// The kitroom.
        kitroom: Uuid,
        /// The effect's ticket.
        ticket: u64,
        /// The kitroom's epoch.
        epoch: Uuid,
        /// The number of its last change.
        head_seq: i64,
        /// What became of each op.
        results: Vec<OpResult>,
        /// That the service has taken them, in its own words; it is shown to it again, so that one that was restored to
        /// before is found out.
        ack: Option<String>,
    },
    /// The answer to [`super::Effect::Pull`].
    Pulled {
        /// The kitroom.
        kitroom: Uuid,
        /// The effect's ticket.
        ticket: u64,
        /// The page.
        page: PageHead,
    },
    /// The answer to [`super::Effect::Compare`].
    Compared {
        /// The kitroom.
        kitroom: Uuid,
        /// The effect's ticket.
        ticket: u64,
        /// The last change that the base of before and the incoming one have in common ([`super::recovery::common`]).
        common: i64,
    },
    /// Instead of an answer.
    Failed {
        /// The kitroom; none for a poll.
        kitroom: Option<Uuid>,
        /// The effect's ticket.
        ticket: u64,
        /// Why.
        failure: Failure,
    },
    /// A pause is over.
    Waited {
        /// The kitroom; none for a poll.
        kitroom: Option<Uuid>,
        /// The ticket of [`super::Effect::Wait`].
        ticket: u64,
    },
    /// What was not sent of a kitroom is in a file; it may go.
    Exported {
        /// The kitroom.
        kitroom: Uuid,
    },
    /// A person asks to replace what the service told of a kitroom; the outbox stays.
    Reset {
        /// The kitroom.
        kitroom: Uuid,
    },
    /// The folder of this replica was copied, or put back from a copy: it becomes another replica, so that no number is
    /// used twice.
    Copied,
    /// Every op of a kitroom that the service has never had goes to another one, which may be a new one.
    Moved {
        /// Where from.
        from: Uuid,
        /// Where to.
        to: Uuid,
    },
}
