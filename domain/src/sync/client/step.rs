//! One event after the other.

use uuid::Uuid;

use super::effect::{Effect, End, Step, Write};
use super::event::{Event, Luck, PolledRoom};
use super::outbox::Batch;
use super::state::{Cause, Job, Limits, Phase, Replica, Room, Turn};
use crate::wire::sync::SCHEMA_VERSION;

/// How many times a kitroom's turn goes from getting back to sending: a person may go on working meanwhile.
const LAPS: u32 = 8;

impl Replica {
    /// Takes one event. See the module for what the driver owes.
    pub fn step(&mut self, event: Event, luck: Luck) -> Step {
        let mut step = Step::default();
        match event {
            Event::Changed { kitroom, ops } => {
                if let Some(room) = self.rooms.get_mut(&kitroom) {
                    step.writes.extend(room.enqueue(kitroom, ops));
                }
            }
            Event::Noticed { kitroom, entries } => {
                if let Some(room) = self.rooms.get_mut(&kitroom) {
                    let last = entries.iter().map(|entry| entry.op_no).max().unwrap_or(0);
                    room.kept.last_op_no = room.kept.last_op_no.max(last);
                    room.outbox.extend(entries);
                }
            }
            Event::Begin => {
                self.poll = Turn::default();
                let ticket = self.ticket();
                self.poll.phase = Phase::Asked(Job::Poll, ticket);
                step.effects.push(Effect::Poll { ticket });
            }
            Event::Polled { ticket, rooms, removed, schema, limits } => {
                if self.poll.phase == Phase::Asked(Job::Poll, ticket) {
                    self.poll = Turn::default();
                    self.limits = limits;
                    self.schema = (!(schema.0..=schema.1).contains(&SCHEMA_VERSION)).then_some(schema);
                    self.polled(&rooms, &removed, &mut step);
                }
            }
            Event::Joined { kitroom } => {
                let room = self.rooms.entry(kitroom).or_default();
                room.absent = false;
                room.kept.linked = true;
                step.writes.push(Write::Room(kitroom, room.kept.clone()));
            }
            Event::Sync { kitroom } => self.begin_turn(kitroom, &mut step),
            Event::Pushed { kitroom, ticket, epoch, head_seq, results, ack } => {
                if self.answers(kitroom, Job::Push, ticket) {
                    self.pushed(kitroom, epoch, (head_seq, ack), results, luck, &mut step);
                }
            }
            Event::Pulled { kitroom, ticket, page } => {
                if self.answers(kitroom, Job::Pull, ticket) {
                    self.pulled(kitroom, page, &mut step);
                }
            }
            Event::Compared { kitroom, ticket, common } => {
                if self.answers(kitroom, Job::Compare, ticket) {
                    self.finish_replace(kitroom, Some(common), &mut step);
                }
            }
            Event::Failed { kitroom, ticket, failure } => {
                self.failed(kitroom, ticket, failure, luck, &mut step)
            }
            Event::Waited { kitroom, ticket } => self.waited(kitroom, ticket, &mut step),
            Event::Exported { kitroom } => {
                if self.rooms.remove(&kitroom).is_some() {
                    step.writes.push(Write::Purge(kitroom));
                }
            }
            Event::Reset { kitroom } => {
                if let Some(room) = self.rooms.get_mut(&kitroom) {
                    // Whoever asks has been told about numbers that the service misses.
                    room.kept.adrift = true;
                    step.writes.extend(room.begin_replace(kitroom, Cause::Asked));
                }
            }
            Event::Copied => self.become_another(luck, &mut step),
            Event::Moved { from, to } => self.moved(from, to, &mut step),
        }
        step
    }

    pub(super) fn ticket(&mut self) -> u64 {
        self.tickets += 1;
        self.tickets
    }

    fn answers(&self, kitroom: Uuid, job: Job, ticket: u64) -> bool {
        self.rooms.get(&kitroom).is_some_and(|room| room.turn.phase == Phase::Asked(job, ticket))
    }

    fn polled(&mut self, rooms: &[PolledRoom], removed: &[Uuid], step: &mut Step) {
        for (kitroom, room) in self.rooms.iter_mut().filter(|(_, room)| room.kept.linked) {
            room.absent = false;
            match rooms.iter().find(|polled| polled.kitroom == *kitroom) {
                Some(polled) if room.kept.replace.is_none() => {
                    if room.kept.epoch.is_some_and(|epoch| epoch != polled.epoch) {
                        step.writes.extend(room.begin_replace(*kitroom, Cause::EpochChanged));
                    }
                }
                Some(_) => {}
                None if removed.contains(kitroom) => step.effects.push(Effect::Export { kitroom: *kitroom }),
                None => {
                    room.absent = true;
                    step.effects.push(Effect::Ended { kitroom: Some(*kitroom), end: End::Absent });
                }
            }
        }
        let unknown = rooms
            .iter()
            .filter(|polled| self.rooms.get(&polled.kitroom).is_none_or(|room| !room.kept.linked));
        step.effects.extend(unknown.map(|polled| Effect::Learn { kitroom: polled.kitroom }));
    }

    fn begin_turn(&mut self, kitroom: Uuid, step: &mut Step) {
        let Some(room) = self.rooms.get_mut(&kitroom).filter(|room| room.kept.linked) else { return };
        if room.absent {
            step.effects.push(Effect::Ended { kitroom: Some(kitroom), end: End::Absent });
            return;
        }
        room.turn = Turn::default();
        self.go_on(kitroom, step);
    }

    /// Asks the next thing of a kitroom's turn.
    pub(super) fn go_on(&mut self, kitroom: Uuid, step: &mut Step) {
        let can_push = self.schema.is_none();
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        match &room.kept.replace {
            Some(replace) if replace.reached.is_some() => return self.ask(kitroom, Job::Compare, step),
            Some(_) => return self.ask(kitroom, Job::Pull, step),
            None => {}
        }
        if can_push && room.has_unsent() && room.turn.laps < LAPS {
            room.turn.pulled = false;
            return self.ask(kitroom, Job::Push, step);
        }
        if !room.turn.pulled {
            return self.ask(kitroom, Job::Pull, step);
        }
        let end = match self.schema {
            Some((min, current)) => End::Schema { min, current },
            None => End::Synced,
        };
        self.end(kitroom, end, step);
    }

    pub(super) fn ask(&mut self, kitroom: Uuid, job: Job, step: &mut Step) {
        let (replica, limits, ticket) = (self.id, self.limits, self.ticket());
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        room.turn.phase = Phase::Asked(job, ticket);
        match job {
            Job::Push => match next_batch(room, kitroom, limits, step) {
                Some(ops) => {
                    room.mark_sent(kitroom, &ops, step);
                    let (cursor, ack) = (room.kept.cursor.clone(), room.kept.ack.clone());
                    step.effects.push(Effect::Push { kitroom, ticket, replica, ops, cursor, ack });
                }
                // All that waited was too large to be sent.
                None => self.ask(kitroom, Job::Pull, step),
            },
            Job::Pull => {
                let (cursor, ack) = match &room.kept.replace {
                    // The service is known to have lost what this device was told.
                    Some(replace) if replace.cause.may_have_lost() => (replace.cursor.clone(), None),
                    // What does not come again is dropped as deleted: that must not be what was lost meanwhile.
                    Some(replace) => (replace.cursor.clone(), room.kept.rests_on().cloned()),
                    None => (room.kept.cursor.clone(), room.kept.ack.clone()),
                };
                step.effects.push(Effect::Pull { kitroom, ticket, cursor, ack });
            }
            Job::Compare => step.effects.push(Effect::Compare { kitroom, ticket }),
            Job::Poll => {}
        }
    }

    pub(super) fn end(&mut self, kitroom: Uuid, end: End, step: &mut Step) {
        if let Some(room) = self.rooms.get_mut(&kitroom) {
            room.turn.phase = Phase::Idle;
        }
        step.effects.push(Effect::Ended { kitroom: Some(kitroom), end });
    }

    fn waited(&mut self, kitroom: Option<Uuid>, ticket: u64, step: &mut Step) {
        let phase = match kitroom {
            None => self.poll.phase,
            Some(kitroom) => self.rooms.get(&kitroom).map_or(Phase::Idle, |room| room.turn.phase),
        };
        match (phase, kitroom) {
            (Phase::Pausing(Job::Poll, paused), None) if paused == ticket => {
                let ticket = self.ticket();
                self.poll.phase = Phase::Asked(Job::Poll, ticket);
                step.effects.push(Effect::Poll { ticket });
            }
            // What is to be sent may have changed meanwhile.
            (Phase::Pausing(Job::Push, paused), Some(kitroom)) if paused == ticket => {
                self.go_on(kitroom, step)
            }
            (Phase::Pausing(job, paused), Some(kitroom)) if paused == ticket => self.ask(kitroom, job, step),
            _ => {}
        }
    }

    /// Every op of one kitroom goes to another, behind what waits there: none of them has seen anything of it.
    fn moved(&mut self, from: Uuid, to: Uuid, step: &mut Step) {
        if from == to {
            return;
        }
        let Some(source) = self.rooms.remove(&from) else { return };
        let target = self.rooms.entry(to).or_default();
        let mut numbers = Vec::with_capacity(source.outbox.len());
        for mut entry in source.outbox {
            target.kept.last_op_no += 1;
            entry.op_no = target.kept.last_op_no;
            entry.base_seq = 0;
            entry.stage = super::outbox::Stage::Pending;
            numbers.push((entry.op_id, entry.op_no));
            target.outbox.push(entry);
        }
        step.writes.push(Write::Move { from, to, numbers });
        step.writes.push(Write::Room(to, target.kept.clone()));
    }
}

/// The next ops that can be sent; a group that no push can carry is kept as refused on the way.
fn next_batch(room: &mut Room, kitroom: Uuid, limits: Limits, step: &mut Step) -> Option<Vec<Uuid>> {
    loop {
        match room.batch(limits)? {
            Batch::Ops(ops) => return Some(ops),
            Batch::TooLarge(ops, problem) => step.writes.extend(room.reject_here(kitroom, &ops, &problem)),
        }
    }
}
