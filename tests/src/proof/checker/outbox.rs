//! Every op that a person made was taken, or waits, or is kept with the reason why it was refused; in the end nothing
//! waits.

use std::collections::BTreeMap;

use domain::sync::op::OpStatus;
use uuid::Uuid;

use super::{Case, Ended, Op, ROUNDS, Rule, Violation, broken};
use crate::proof::history::{Moment, What};

pub(super) fn check(case: &Case, ops: &[Op<'_>], found: &mut Vec<Violation>) {
    let ends: BTreeMap<Uuid, Ended> = ops.iter().map(|op| (op.made.op_id, op.ended)).collect();
    for replica in &case.finals {
        for op in replica.made.iter().filter(|op| !replica.gone.contains(op)) {
            let decided = case.truth.decided.get(op).map(|decided| decided.status);
            let waits = replica.pending.contains(op);
            let is_refused = replica.refused.contains(op);
            let is_taken = match decided {
                Some(status) => status != OpStatus::Rejected,
                // The service has lost it; who made it was told that it was taken, and was offered to bring it back.
                None => case.was_restored && ends.get(op) == Some(&Ended::Ok),
            };
            if !is_taken && !waits && !is_refused {
                found.push(broken(Rule::OpLost, format!("op {op} of {}", replica.name)));
            }
        }
        if !replica.pending.is_empty() {
            found.push(broken(
                Rule::Undrained,
                format!("{} ops wait on {}", replica.pending.len(), replica.name),
            ));
        }
    }
    if case.rounds > ROUNDS {
        found.push(broken(Rule::Undrained, format!("it took {} rounds", case.rounds)));
    }
    if !case.was_restored {
        let taken = ops.iter().filter(|op| op.ended == Ended::Ok);
        for op in taken.filter(|op| !case.truth.decided.contains_key(&op.made.op_id)) {
            found.push(broken(Rule::OpForgotten, format!("op {} of replica {}", op.made.op_id, op.replica)));
        }
        answers(case, found);
    }
}

/// The same op has the same answer each time.
fn answers(case: &Case, found: &mut Vec<Violation>) {
    let mut heard: BTreeMap<Uuid, (Moment, Option<i64>)> = BTreeMap::new();
    for line in &case.lines {
        let What::Write(write) = &line.op else { continue };
        if !matches!(line.moment, Moment::Ok | Moment::Fail) {
            continue;
        }
        let (moment, seq) = *heard.entry(write.op_id).or_insert((line.moment, write.seq));
        // A replica that sees its op in a page has no number to tell.
        let differs = seq.zip(write.seq).is_some_and(|(before, now)| before != now);
        if moment != line.moment || differs {
            found.push(broken(Rule::TwoAnswers, format!("op {} of replica {}", write.op_id, line.replica)));
        }
    }
    let decided = |op: &Uuid| case.truth.decided.get(op);
    for (op, (moment, _)) in &heard {
        let is_refused = decided(op).is_some_and(|decided| decided.status == OpStatus::Rejected);
        if *moment == Moment::Ok && is_refused {
            found.push(broken(Rule::TwoAnswers, format!("op {op} was taken, and is stored as refused")));
        }
    }
}
