//! Everything that waits for a decision in a kitroom, numbered. A number stays with its thing until nothing waits any more.

use domain::kinds;
use domain::sync::op::Role;
use domain::wire::conflict::ConflictBody;
use domain::wire::shape;
use uuid::Uuid;

use crate::error::{Error, Result};
use crate::local::{Kitroom, Lost, OutboxOp, State, Store};

/// What it is.
#[derive(Debug, Clone)]
pub(super) enum What {
    /// Two people said different things.
    Conflict(Box<ConflictBody>),
    /// The service refused a change.
    Refused(Box<OutboxOp>),
    /// A restored service may have lost a record.
    Lost(Box<Lost>),
}

/// One thing that waits.
#[derive(Debug, Clone)]
pub(super) struct Thing {
    pub(super) no: i64,
    /// The conflict's record, the refused op, or the lost record.
    pub(super) id: Uuid,
    pub(super) what: What,
    /// Whether it is for this account to decide.
    pub(super) mine: bool,
}

impl What {
    /// Under what a thing has its number. Two states of one record may be lost: each has one of its own.
    fn key(&self, id: Uuid) -> Uuid {
        match self {
            Self::Lost(lost) => Uuid::from_u128(lost.no.unsigned_abs().into()),
            Self::Conflict(_) | Self::Refused(_) => id,
        }
    }
}

/// All of them, oldest number first.
pub(super) fn things(store: &Store, room: &Kitroom) -> Result<Vec<Thing>> {
    let account = store.account_id()?;
    let mut found: Vec<(Uuid, What, bool)> = Vec::new();
    for record in store.records(room.id, &kinds::conflict::KIND)? {
        let Ok(body) = shape::read::<ConflictBody>(&record.body) else { continue };
        if body.is_open() && record.is_live() {
            let mine = room.role >= Role::Keeper || body.offered_by == account;
            found.push((record.id, What::Conflict(Box::new(body)), mine));
        }
    }
    for op in store.outbox(room.id, &[State::Rejected])? {
        found.push((op.op_id, What::Refused(Box::new(op)), true));
    }
    for lost in store.lost(room.id)? {
        found.push((lost.id, What::Lost(Box::new(lost)), true));
    }
    let keys: Vec<Uuid> = found.iter().map(|(id, what, _)| what.key(*id)).collect();
    let numbers = store.numbers_of(room.id, &keys)?;
    let mut things: Vec<Thing> =
        found.into_iter().zip(numbers).map(|((id, what, mine), no)| Thing { no, id, what, mine }).collect();
    things.sort_by_key(|thing| thing.no);
    Ok(things)
}

/// The one of this number.
pub(super) fn numbered(store: &Store, room: &Kitroom, no: i64) -> Result<Thing> {
    things(store, room)?.into_iter().find(|thing| thing.no == no).ok_or_else(|| {
        Error::refused(format!("nothing with the number {no} waits in {}", room.name))
            .hint("see: tare conflict list")
    })
}
