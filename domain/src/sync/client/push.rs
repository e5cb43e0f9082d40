//! What became of a push.

use uuid::Uuid;

use super::effect::{Step, Write};
use super::event::{Failure, Luck};
use super::outbox::Stage;
use super::state::{Cause, Job, Replica, Room};
use crate::sync::op::{OpResult, OpStatus};

impl Room {
    /// Marks ops as sent, those that are not yet.
    pub(super) fn mark_sent(&mut self, kitroom: Uuid, ops: &[Uuid], step: &mut Step) {
        let mut fresh = Vec::new();
        for entry in self.outbox.iter_mut().filter(|entry| ops.contains(&entry.op_id)) {
            if entry.stage == Stage::Pending {
                entry.stage = Stage::Sent;
                fresh.push(entry.op_id);
            }
        }
        if !fresh.is_empty() {
            step.writes.push(Write::Sent { kitroom, ops: fresh });
        }
    }

    /// Takes one result in. `reached` is the last change that base has in the epoch of the answer. Answers whether the op
    /// got anywhere.
    fn take_result(
        &mut self,
        kitroom: Uuid,
        result: OpResult,
        (reached, head_seq): (i64, i64),
        writes: &mut Vec<Write>,
    ) -> bool {
        let op_id = result.op_id;
        let found = self.outbox.iter().position(|entry| entry.op_id == op_id && entry.is_unsent());
        let Some(at) = found else { return false };
        match result.status {
            OpStatus::NotAttempted => {
                self.outbox[at].stage = Stage::Pending;
                writes.push(Write::Waiting { kitroom, ops: vec![op_id] });
                false
            }
            OpStatus::Rejected => {
                self.outbox.remove(at);
                writes.push(Write::Rejected { kitroom, op_id, problem: result.problem });
                true
            }
            OpStatus::Applied | OpStatus::Merged | OpStatus::Noop | OpStatus::Conflict => {
                // A conflict is a record of its own, and the op's record may not have moved at all.
                let is_elsewhere = result.status == OpStatus::Conflict;
                let reach = result.seq.unwrap_or(head_seq);
                let version = result.seq.filter(|seq| !is_elsewhere && *seq > reached).unwrap_or(0);
                if version == 0 && reach <= reached {
                    self.outbox.remove(at);
                    writes.push(Write::Forget { kitroom, ops: vec![op_id] });
                } else {
                    self.outbox[at].stage = Stage::Acked { version, at: reach };
                    writes.push(Write::Acked { kitroom, op_id, version, at: reach });
                }
                true
            }
        }
    }
}

impl Replica {
    pub(super) fn pushed(
        &mut self,
        kitroom: Uuid,
        epoch: Uuid,
        (head_seq, ack): (i64, Option<String>),
        results: Vec<OpResult>,
        luck: Luck,
        step: &mut Step,
    ) {
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        let is_another = room.kept.epoch.is_some_and(|known| known != epoch);
        let reached = if is_another { 0 } else { room.kept.base_seq };
        let mut got_on = false;
        for result in results {
            got_on |= room.take_result(kitroom, result, (reached, head_seq), &mut step.writes);
        }
        if is_another {
            // What was just taken is sent again when the replacement is whole; the service knows its ids.
            step.writes.extend(room.begin_replace(kitroom, Cause::EpochChanged));
        } else if got_on {
            room.kept.adrift = false;
            room.kept.ack = ack;
            step.writes.push(Write::Room(kitroom, room.kept.clone()));
        }
        if !got_on {
            // Nothing was attempted: the service is in trouble.
            return self.no_answer(Some(kitroom), Job::Push, Failure::Busy { after_ms: None }, luck, step);
        }
        room.turn.failures = 0;
        room.turn.at_most = None;
        self.go_on(kitroom, step);
    }
}
