//! Replacing a base: the pages go beside it, and take its place when they are whole. Until then people see the old one.

use uuid::Uuid;

use super::effect::{Effect, End, Layer, Step, Write};
use super::event::PageHead;
use super::outbox::Stage;
use super::pull::same_page_twice;
use super::state::{Cause, Job, Phase, Replace, Replica, Room};

/// How many times a replacement begins in one turn.
const REPLACES: u32 = 3;

impl Room {
    pub(super) fn begin_replace(&mut self, kitroom: Uuid, cause: Cause) -> Vec<Write> {
        // A reset that finds the service restored must not forget that something may be lost.
        let lost = self.kept.replace.as_ref().is_some_and(|replace| replace.cause.may_have_lost());
        let cause = if lost { Cause::EpochChanged } else { cause };
        self.kept.generation += 1;
        self.kept.replace = Some(Replace { cause, epoch: None, cursor: None, reached: None });
        vec![Write::BeginReplace { kitroom }, Write::Room(kitroom, self.kept.clone())]
    }
}

impl Replica {
    /// Begins a replacement, or begins it again.
    pub(super) fn replace(&mut self, kitroom: Uuid, cause: Cause, step: &mut Step) {
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        room.turn.replaces += 1;
        if room.turn.replaces > REPLACES {
            return self.end(kitroom, End::Unsteady(cause), step);
        }
        step.writes.extend(room.begin_replace(kitroom, cause));
        self.go_on(kitroom, step);
    }

    /// A page of a replacement.
    pub(super) fn pulled_anew(&mut self, kitroom: Uuid, page: PageHead, step: &mut Step) {
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        let known = room.kept.epoch;
        let Some(replace) = &mut room.kept.replace else { return };
        if replace.epoch.is_some_and(|epoch| epoch != page.epoch) {
            return self.replace(kitroom, Cause::EpochChanged, step);
        }
        if page.has_more && replace.cursor.as_deref() == Some(&page.next_cursor) {
            return self.end(kitroom, End::Refused(same_page_twice()), step);
        }
        if known.is_some_and(|epoch| epoch != page.epoch) {
            replace.cause = Cause::EpochChanged;
        }
        replace.epoch = Some(page.epoch);
        replace.cursor = Some(page.next_cursor);
        step.writes.push(Write::Page { kitroom, into: Layer::Incoming });
        if page.has_more {
            step.writes.push(Write::Room(kitroom, room.kept.clone()));
            return self.go_on(kitroom, step);
        }
        replace.reached = Some(page.head_seq);
        if replace.cause.may_have_lost() {
            step.writes.push(Write::Room(kitroom, room.kept.clone()));
            let ticket = self.ticket();
            if let Some(room) = self.rooms.get_mut(&kitroom) {
                room.turn.phase = Phase::Asked(Job::Compare, ticket);
            }
            step.effects.push(Effect::Compare { kitroom, ticket });
        } else {
            self.finish_replace(kitroom, None, step);
        }
    }

    /// Puts incoming in the place of base. `common` is the last change that both hold, when something may be lost.
    pub(super) fn finish_replace(&mut self, kitroom: Uuid, common: Option<i64>, step: &mut Step) {
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        let Some(replace) = room.kept.replace.take() else { return };
        room.kept.epoch = replace.epoch;
        room.kept.cursor = replace.cursor;
        room.kept.ack = None;
        room.kept.base_seq = replace.reached.unwrap_or(0);
        room.turn.pulled = true;
        room.turn.laps += 1;
        step.writes.push(Write::FinishReplace { kitroom, recover_after: common });
        step.writes.push(Write::Room(kitroom, room.kept.clone()));
        match common {
            Some(common) => {
                // What was taken may be gone: it is sent again, and its id keeps it from being done twice. What its
                // author had seen counts only as far as the service still has it.
                room.kept.adrift = true;
                step.writes.extend(room.send_again(kitroom, |_| true));
                let mut bases = Vec::new();
                for entry in room.outbox.iter_mut().filter(|entry| entry.base_seq > common) {
                    entry.base_seq = common;
                    bases.push((entry.op_id, common));
                }
                if !bases.is_empty() {
                    step.writes.push(Write::Bases { kitroom, bases });
                }
                step.writes.push(Write::Room(kitroom, room.kept.clone()));
            }
            None => {
                // Every record up to the head was in the pages.
                let reached = room.kept.base_seq;
                let brought = |stage: &Stage| matches!(stage, Stage::Acked { at, .. } if *at <= reached);
                let ops: Vec<Uuid> = room
                    .outbox
                    .iter()
                    .filter(|entry| brought(&entry.stage))
                    .map(|entry| entry.op_id)
                    .collect();
                room.outbox.retain(|entry| !brought(&entry.stage));
                if !ops.is_empty() {
                    step.writes.push(Write::Forget { kitroom, ops });
                }
            }
        }
        self.go_on(kitroom, step);
    }
}
