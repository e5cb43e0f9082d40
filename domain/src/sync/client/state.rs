//! What a replica remembers.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::backoff::Patience;
use super::outbox::Entry;
use crate::wire::sync::{MAX_OPS, MAX_PUSH_BYTES};

/// The limits of a push.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Limits {
    /// Ops.
    pub ops: usize,
    /// Bytes, after decompression.
    pub bytes: usize,
}

impl Default for Limits {
    fn default() -> Self {
        Self { ops: MAX_OPS, bytes: MAX_PUSH_BYTES }
    }
}

/// Why a base is replaced.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cause {
    /// The service was restored or copied: it may have lost what this device holds.
    EpochChanged,
    /// The cursor is older than what the service remembers of deletions.
    CursorExpired,
    /// A person asked for it.
    Asked,
}

impl Cause {
    /// Whether what is not sent again may have been lost rather than deleted.
    #[must_use]
    pub fn may_have_lost(self) -> bool {
        self == Cause::EpochChanged
    }
}

/// A replacement under way.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Replace {
    /// Why.
    pub cause: Cause,
    /// The epoch of the pages so far; none before the first.
    pub epoch: Option<Uuid>,
    /// Where it goes on; none before the first page.
    pub cursor: Option<String>,
    /// The last change that incoming has reached, once it is whole.
    pub reached: Option<i64>,
}

/// What is stored about a kitroom.
#[derive(Debug, Clone, Default, PartialEq, Eq, Serialize, Deserialize)]
pub struct Kept {
    /// Whether the service has it too; one that is only here is neither polled nor synced.
    pub linked: bool,
    /// Its epoch, once pulled.
    pub epoch: Option<Uuid>,
    /// Where pulling goes on; none before the first page.
    pub cursor: Option<String>,
    /// What the service gave with the last push, to be shown to it again; none once a page has come since, whose cursor
    /// holds all of it.
    pub ack: Option<String>,
    /// How many times its base was replaced.
    pub generation: i64,
    /// The last change that base has reached. It never goes back within an epoch.
    pub base_seq: i64,
    /// The number of this replica's last op in it.
    pub last_op_no: i64,
    /// Whether the service is known to have lost ops of this replica, so that its next number is the service's to say.
    pub adrift: bool,
    /// A replacement under way.
    pub replace: Option<Replace>,
}

impl Kept {
    /// What shows best which history base and outbox rest on: an ack is given to who has shown the cursor, and a page to
    /// who has shown both.
    pub(super) fn rests_on(&self) -> Option<&String> {
        self.ack.as_ref().or(self.cursor.as_ref())
    }
}

/// What is asked of the service just now.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Job {
    Poll,
    Push,
    Pull,
    Compare,
}

/// Where a request is.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) enum Phase {
    #[default]
    Idle,
    Asked(Job, u64),
    Pausing(Job, u64),
}

/// What a kitroom's turn has seen so far.
#[derive(Debug, Clone, Copy, Default, PartialEq, Eq)]
pub(super) struct Turn {
    pub(super) phase: Phase,
    /// Failures in a row.
    pub(super) failures: u32,
    pub(super) forks: u32,
    pub(super) gaps: u32,
    pub(super) replaces: u32,
    /// Times that it went from pulling back to pushing.
    pub(super) laps: u32,
    /// At most so many ops go into the next push; none is as many as the service takes.
    pub(super) at_most: Option<usize>,
    /// Whether all was pulled in this turn.
    pub(super) pulled: bool,
}

#[derive(Debug, Clone, Default, PartialEq)]
pub(super) struct Room {
    pub(super) kept: Kept,
    /// The unsettled ops, in their order.
    pub(super) outbox: Vec<Entry>,
    pub(super) turn: Turn,
    /// Whether the last poll left it out without saying why.
    pub(super) absent: bool,
}

/// A device's replica of its kitrooms: the state of the machine.
#[derive(Debug, Clone, PartialEq)]
pub struct Replica {
    pub(super) id: Uuid,
    pub(super) rooms: BTreeMap<Uuid, Room>,
    pub(super) limits: Limits,
    pub(super) patience: Patience,
    /// The schema versions that the service takes, when ours is none of them.
    pub(super) schema: Option<(i32, i32)>,
    pub(super) poll: Turn,
    pub(super) tickets: u64,
}

impl Replica {
    /// From what was stored: the replica's id, and of each kitroom what was kept and its unsettled ops (pending, sent and acked) in
    /// their order.
    #[must_use]
    pub fn restore(
        id: Uuid,
        rooms: impl IntoIterator<Item = (Uuid, Kept, Vec<Entry>)>,
        patience: Patience,
    ) -> Self {
        let rooms = rooms
            .into_iter()
            .map(|(kitroom, kept, outbox)| (kitroom, Room { kept, outbox, ..Room::default() }))
            .collect();
        Self {
            id,
            rooms,
            limits: Limits::default(),
            patience,
            schema: None,
            poll: Turn::default(),
            tickets: 0,
        }
    }

    /// The replica's id.
    #[must_use]
    pub fn id(&self) -> Uuid {
        self.id
    }

    /// The kitrooms, in the order of their ids.
    pub fn kitrooms(&self) -> impl Iterator<Item = Uuid> + '_ {
        self.rooms.keys().copied()
    }

    /// What is kept of a kitroom.
    #[must_use]
    pub fn kept(&self, kitroom: Uuid) -> Option<&Kept> {
        self.rooms.get(&kitroom).map(|room| &room.kept)
    }

    /// The unsettled ops of a kitroom, in their order.
    #[must_use]
    pub fn outbox(&self, kitroom: Uuid) -> &[Entry] {
        self.rooms.get(&kitroom).map_or(&[], |room| &room.outbox)
    }

    /// Whether nothing is asked of the service about this kitroom.
    #[must_use]
    pub fn is_idle(&self, kitroom: Uuid) -> bool {
        self.rooms.get(&kitroom).is_none_or(|room| room.turn.phase == Phase::Idle)
    }
}
