//! Requests without a result.

use serde_json::Value;
use uuid::Uuid;

use super::backoff::backoff;
use super::effect::{Effect, End, Step, Write};
use super::event::{Failure, Luck};
use super::outbox::Stage;
use super::state::{Cause, Job, Phase, Replica};
use crate::wire::problem::{ErrorCode, Problem};

/// How many times in one turn another copy of this replica, or a missing number, is answered by itself.
const MENDS: u32 = 2;

impl Replica {
    pub(super) fn failed(
        &mut self,
        kitroom: Option<Uuid>,
        ticket: u64,
        failure: Failure,
        luck: Luck,
        step: &mut Step,
    ) {
        let phase = match kitroom {
            None => self.poll.phase,
            Some(kitroom) => self.rooms.get(&kitroom).map_or(Phase::Idle, |room| room.turn.phase),
        };
        let job = match phase {
            Phase::Asked(job, asked) if asked == ticket => job,
            _ => return,
        };
        match failure {
            Failure::Refused(problem) => match kitroom {
                Some(kitroom) => self.refused(kitroom, job, problem, luck, step),
                None => {
                    self.poll.phase = Phase::Idle;
                    step.effects.push(Effect::Ended { kitroom: None, end: of_problem(problem) });
                }
            },
            other => self.no_answer(kitroom, job, other, luck, step),
        }
    }

    /// Tries again later, or gives up for now.
    pub(super) fn no_answer(
        &mut self,
        kitroom: Option<Uuid>,
        job: Job,
        failure: Failure,
        luck: Luck,
        step: &mut Step,
    ) {
        let (patience, ticket) = (self.patience, self.ticket());
        let turn = match kitroom {
            None => Some(&mut self.poll),
            Some(kitroom) => self.rooms.get_mut(&kitroom).map(|room| &mut room.turn),
        };
        let Some(turn) = turn else { return };
        turn.failures += 1;
        let after_ms = match failure {
            Failure::Busy { after_ms } => after_ms,
            _ => None,
        };
        let tried = patience.tries.is_some_and(|tries| turn.failures >= tries);
        if tried || after_ms.is_some_and(|after| after > patience.longest_asked_ms) {
            turn.phase = Phase::Idle;
            step.effects.push(Effect::Ended { kitroom, end: End::Unreachable { after_ms } });
            return;
        }
        turn.phase = Phase::Pausing(job, ticket);
        let ms = backoff(turn.failures, patience.longest_ms, after_ms, luck.roll);
        step.effects.push(Effect::Wait { kitroom, ticket, ms });
    }

    fn refused(&mut self, kitroom: Uuid, job: Job, problem: Problem, luck: Luck, step: &mut Step) {
        let push = job == Job::Push;
        match problem.code() {
            Some(ErrorCode::EpochChanged) => self.replace(kitroom, Cause::EpochChanged, step),
            Some(ErrorCode::CursorExpired) => self.replace(kitroom, Cause::CursorExpired, step),
            // A cursor that the service does not know as its own may be another service's.
            Some(ErrorCode::CursorInvalid) => self.replace(kitroom, Cause::EpochChanged, step),
            Some(ErrorCode::ReplicaForked) if push => self.forked(kitroom, problem, luck, step),
            Some(ErrorCode::OpGap) if push => self.gap(kitroom, &problem, step),
            Some(ErrorCode::SchemaUnsupported) if push => {
                self.schema = Some(schema_of(&problem));
                self.go_on(kitroom, step);
            }
            Some(
                ErrorCode::PayloadTooLarge
                | ErrorCode::ValidationFailed
                | ErrorCode::BadRequest
                | ErrorCode::MalformedJson,
            ) if push => self.isolate(kitroom, &problem, step),
            _ => self.end(kitroom, of_problem(problem), step),
        }
    }

    /// Another copy of this replica has used its numbers: it becomes another one, in all kitrooms.
    fn forked(&mut self, kitroom: Uuid, problem: Problem, luck: Luck, step: &mut Step) {
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        room.turn.forks += 1;
        if room.turn.forks > MENDS {
            return self.end(kitroom, End::Refused(problem), step);
        }
        self.become_another(luck, step);
        self.go_on(kitroom, step);
    }

    /// Takes a new id. What is unsent gets new numbers and keeps its op ids, so that nothing is done twice.
    pub(super) fn become_another(&mut self, luck: Luck, step: &mut Step) {
        self.id = luck.id;
        step.writes.push(Write::Replica(luck.id));
        for (id, room) in &mut self.rooms {
            step.writes.extend(room.renumber_for_new_replica(*id));
        }
    }

    /// The service misses ops of this replica. What it has taken and lost again is sent again when it is still here.
    fn gap(&mut self, kitroom: Uuid, problem: &Problem, step: &mut Step) {
        let last_op_no = problem.more.get("last_op_no").and_then(Value::as_i64).unwrap_or(0);
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        room.turn.gaps += 1;
        if room.turn.gaps > MENDS {
            return self.end(kitroom, End::Gap { last_op_no }, step);
        }
        let again = room.send_again(kitroom, |entry| {
            matches!(entry.stage, Stage::Acked { .. }) && entry.op_no > last_op_no
        });
        if room.kept.adrift {
            step.writes.extend(again);
            step.writes.extend(room.renumber(kitroom, last_op_no + 1));
            return self.go_on(kitroom, step);
        }
        if room.turn.gaps > 1 {
            return self.end(kitroom, End::Gap { last_op_no }, step);
        }
        // A restored service shows itself in what it has now.
        self.ask(kitroom, Job::Pull, step);
    }

    /// The service does not take the push as a whole: the one op that spoils it must not hold up the others.
    fn isolate(&mut self, kitroom: Uuid, problem: &Problem, step: &mut Step) {
        let limits = self.limits;
        let Some(room) = self.rooms.get_mut(&kitroom) else { return };
        let Some(super::outbox::Batch::Ops(ops)) = room.batch(limits) else {
            return self.end(kitroom, of_problem(problem.clone()), step);
        };
        let groups: std::collections::BTreeSet<&str> = room
            .outbox
            .iter()
            .filter(|entry| ops.contains(&entry.op_id))
            .map(|entry| entry.group.as_str())
            .collect();
        if groups.len() > 1 {
            room.turn.at_most = Some(ops.len() / 2);
        } else {
            step.writes.extend(room.reject_here(kitroom, &ops, problem));
            room.turn.at_most = None;
        }
        self.go_on(kitroom, step);
    }
}

fn schema_of(problem: &Problem) -> (i32, i32) {
    let number = |member: &str| {
        problem.more.get(member).and_then(Value::as_i64).and_then(|n| i32::try_from(n).ok()).unwrap_or(0)
    };
    (number("min"), number("current"))
}

fn of_problem(problem: Problem) -> End {
    if problem.status == 401 {
        return End::LoggedOut;
    }
    match problem.code() {
        Some(ErrorCode::SchemaUnsupported) => {
            let (min, current) = schema_of(&problem);
            End::Schema { min, current }
        }
        _ => End::Refused(problem),
    }
}
