//! The machine's effects, carried out one after the other.

use std::collections::VecDeque;
use std::time::Duration;

use domain::sync::client::{self, Effect, End, Event, Limits, Patience, PolledRoom};
use domain::sync::op::OpStatus;
use domain::wire::sync::{PushRequest, PushResponse, SCHEMA_VERSION, SyncOverview};
use uuid::Uuid;

use super::run::Summary;
use crate::error::Result;
use crate::local::{Machine, Store};
use crate::remote::{Failure, Remote};

/// One sync at work.
pub(super) struct Drive<'a> {
    pub(super) store: &'a mut Store,
    pub(super) remote: &'a mut dyn Remote,
    pub(super) machine: Machine,
    pub(super) summary: Summary,
    /// What the service last said about all kitrooms.
    pub(super) overview: Option<SyncOverview>,
    /// The last request without a result, for the words about it.
    pub(super) failure: Option<Failure>,
}

impl<'a> Drive<'a> {
    pub(super) fn new(store: &'a mut Store, remote: &'a mut dyn Remote, patience: Patience) -> Result<Self> {
        let machine = store.machine(patience)?;
        Ok(Self { store, remote, machine, summary: Summary::default(), overview: None, failure: None })
    }

    /// Takes an event and does everything that follows, up to what is for the caller: ends, exports, kitrooms to learn.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub(super) fn take(&mut self, event: Event) -> Result<Vec<Effect>> {
        let mut left = Vec::new();
        let mut waiting: VecDeque<Effect> = self.store.step(&mut self.machine, event, None)?.effects.into();
        while let Some(effect) = waiting.pop_front() {
            match self.carry_out(effect)? {
                Done::Asked(effects) => waiting.extend(effects),
                Done::For(effect) => left.push(effect),
            }
        }
        Ok(left)
    }

    fn step(&mut self, event: Event) -> Result<Done> {
        Ok(Done::Asked(self.store.step(&mut self.machine, event, None)?.effects))
    }

    fn carry_out(&mut self, effect: Effect) -> Result<Done> {
        match effect {
            Effect::Poll { ticket } => match self.remote.overview() {
                Ok(overview) => {
                    let event = polled(ticket, &overview);
                    self.overview = Some(overview);
                    self.step(event)
                }
                Err(failure) => self.failed(None, ticket, failure),
            },
            Effect::Push { kitroom, ticket, replica, ops, cursor, ack } => {
                let ops = self.store.to_push(kitroom, &ops)?;
                let request =
                    PushRequest { replica_id: replica, schema_version: SCHEMA_VERSION, ops, cursor, ack };
                match self.remote.push(kitroom, &request) {
                    Ok(response) => self.pushed(kitroom, ticket, response),
                    Err(failure) => self.failed(Some(kitroom), ticket, failure),
                }
            }
            Effect::Pull { kitroom, ticket, cursor, ack } => {
                match self.remote.changes(kitroom, cursor.as_deref(), ack.as_deref()) {
                    Ok(page) => {
                        let event = Event::Pulled { kitroom, ticket, page: page.head() };
                        let stepped = self.store.step(&mut self.machine, event, Some(&page))?;
                        self.summary.received += stepped.page.received;
                        Ok(Done::Asked(stepped.effects))
                    }
                    Err(failure) => self.failed(Some(kitroom), ticket, failure),
                }
            }
            Effect::Compare { kitroom, ticket } => {
                let common = self.store.common_change(kitroom)?;
                self.step(Event::Compared { kitroom, ticket, common })
            }
            Effect::Wait { kitroom, ticket, ms } => {
                (self.store.env().pause)(Duration::from_millis(ms));
                self.step(Event::Waited { kitroom, ticket })
            }
            Effect::Ended { kitroom: Some(kitroom), end } => {
                // A pull that was cut off leaves masses to be brought up to date.
                self.store.freshen(kitroom)?;
                Ok(Done::For(Effect::Ended { kitroom: Some(kitroom), end }))
            }
            other => Ok(Done::For(other)),
        }
    }

    fn pushed(&mut self, kitroom: Uuid, ticket: u64, response: PushResponse) -> Result<Done> {
        let PushResponse { epoch, head_seq, results, ack } = response;
        let of = |wanted: fn(OpStatus) -> bool| results.iter().filter(|result| wanted(result.status)).count();
        self.summary.refused += of(|status| status == OpStatus::Rejected);
        self.summary.contested += of(|status| status == OpStatus::Conflict);
        self.summary.sent += of(|status| !matches!(status, OpStatus::Rejected | OpStatus::NotAttempted));
        self.step(Event::Pushed { kitroom, ticket, epoch, head_seq, results, ack })
    }

    fn failed(&mut self, kitroom: Option<Uuid>, ticket: u64, failure: Failure) -> Result<Done> {
        let told = match &failure {
            Failure::Lost(_) => client::Failure::Lost,
            Failure::Busy { after, .. } => client::Failure::Busy {
                after_ms: after.map(|after| u64::try_from(after.as_millis()).unwrap_or(u64::MAX)),
            },
            Failure::Refused(problem) => client::Failure::Refused(problem.clone()),
        };
        self.failure = Some(failure);
        self.step(Event::Failed { kitroom, ticket, failure: told })
    }

    /// A kitroom's turn: send and get.
    ///
    /// # Errors
    /// When the store cannot be read or written.
    pub(super) fn sync(&mut self, kitroom: Uuid) -> Result<End> {
        let left = self.take(Event::Sync { kitroom })?;
        let end = left.into_iter().find_map(|effect| match effect {
            Effect::Ended { kitroom: Some(ended), end } if ended == kitroom => Some(end),
            _ => None,
        });
        Ok(end.unwrap_or(End::Synced))
    }
}

enum Done {
    /// What is to be done next.
    Asked(Vec<Effect>),
    /// This is for the caller.
    For(Effect),
}

fn polled(ticket: u64, overview: &SyncOverview) -> Event {
    let rooms = overview
        .kitrooms
        .iter()
        .map(|room| PolledRoom { kitroom: room.kitroom_id.uuid(), epoch: room.epoch })
        .collect();
    let limits = Limits { ops: overview.limits.push_ops, bytes: overview.limits.push_bytes };
    Event::Polled {
        ticket,
        rooms,
        removed: overview.removed.iter().map(|removed| removed.kitroom_id.uuid()).collect(),
        schema: (overview.schema.min, overview.schema.current),
        limits,
    }
}
