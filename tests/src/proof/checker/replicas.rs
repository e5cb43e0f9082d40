//! Replicas are what the service is, to the byte; they never go back, and show their people's own work; and the service's
//! numbers have neither gaps nor twins.

use std::collections::{BTreeMap, BTreeSet};

use domain::sync::op::{Action, OpStatus};
use uuid::Uuid;

use super::{Case, Ended, Op, Rule, Violation, broken};
use crate::proof::history::What;
use crate::proof::truth::{Final, Held, Row, Truth, sums};

pub(super) fn check(case: &Case, ops: &[Op<'_>], found: &mut Vec<Violation>) {
    for replica in &case.finals {
        same(&case.truth, replica, found);
    }
    dense(&case.truth, found);
    reads(case, ops, found);
}

fn same(truth: &Truth, replica: &Final, found: &mut Vec<Violation>) {
    let name = &replica.name;
    let held: BTreeMap<(&str, Uuid), &Held> =
        replica.held.iter().map(|one| ((one.kind.as_str(), one.id), one)).collect();
    let rows: BTreeMap<(&str, Uuid), &Row> =
        truth.rows.iter().map(|row| ((row.kind.as_str(), row.id), row)).collect();
    for (key, row) in &rows {
        let words = match held.get(key) {
            // A replica never hears of what was made and deleted before its first page.
            None if row.deleted => continue,
            None => "lacks",
            Some(one) if one.seq != row.seq || one.deleted != row.deleted => "has at another change",
            Some(one) if !row.deleted && one.wire.as_deref() != Some(row.wire.as_str()) => {
                "has other bytes of"
            }
            Some(_) => continue,
        };
        found.push(broken(Rule::Differs, format!("{name} {words} {} {}", key.0, key.1)));
    }
    for key in held.keys().filter(|key| !rows.contains_key(*key)) {
        found.push(broken(
            Rule::Differs,
            format!("{name} has {} {}, which the service has not", key.0, key.1),
        ));
    }
    if sums(&replica.held) != truth.digest {
        found.push(broken(Rule::Digest, format!("{name}'s is not the service's")));
    }
}

fn dense(truth: &Truth, found: &mut Vec<Violation>) {
    let mut numbers = BTreeSet::new();
    for row in &truth.rows {
        if !numbers.insert(row.seq) || row.seq < 1 || row.seq > truth.head {
            found.push(broken(Rule::Gap, format!("{} {} stands at {}", row.kind, row.id, row.seq)));
        }
    }
    if truth.head > 0 && numbers.last() != Some(&truth.head) {
        found.push(broken(Rule::Gap, format!("nothing stands at the head, {}", truth.head)));
    }
    if let Some(moves) = &truth.moves {
        numbered(truth, moves, found);
    }
}

/// Every number is a change's, and no two changes have the same.
fn numbered(truth: &Truth, moves: &[i64], found: &mut Vec<Violation>) {
    let given: BTreeSet<i64> = moves.iter().copied().collect();
    if given.len() != moves.len() || given.range(..1).next().is_some() || given.last() > Some(&truth.head) {
        found.push(broken(Rule::Gap, "a number was given twice, or is none".to_owned()));
    }
    for number in (1..=truth.head).filter(|number| !given.contains(number)) {
        let last = truth.commits.iter().copied().find(|last| *last >= number).unwrap_or(number);
        // A later op of the same push has changed the record again, before anybody could see it: the op's answer names
        // the number. An op that became a conflict has several, and names the last one.
        let is_named = truth.decided.values().any(|one| {
            let seq = one.seq.unwrap_or(0);
            seq == number || one.status == OpStatus::Conflict && (number..=last).contains(&seq)
        });
        if !is_named || last == number {
            found.push(broken(Rule::Gap, format!("of {} changes, number {number} is missing", truth.head)));
        }
    }
}

fn reads(case: &Case, ops: &[Op<'_>], found: &mut Vec<Violation>) {
    let mut last: BTreeMap<(usize, u32), i64> = BTreeMap::new();
    let mut lives: BTreeMap<usize, (u32, u64)> = BTreeMap::new();
    for line in &case.lines {
        let What::Read(read) = &line.op else { continue };
        let before = last.insert((line.replica, read.life), read.seq).unwrap_or(0);
        if before > read.seq {
            let words = format!("replica {} was at {before}, then at {}", line.replica, read.seq);
            found.push(broken(Rule::WentBack, words));
        }
        // What was made in an earlier life may have gone with it.
        let began = match lives.get(&line.replica) {
            Some((life, began)) if *life == read.life => *began,
            Some(_) => line.t,
            None => 0,
        };
        lives.insert(line.replica, (read.life, began));
        let own = ops.iter().filter(|op| op.replica == line.replica && (began..line.t).contains(&op.at));
        let facts = own.filter(|op| op.made.action == Action::Append && op.ended != Ended::Failed);
        for op in facts.filter(|op| !read.sees.contains(&op.made.record)) {
            let words =
                format!("replica {} at {}: {} {}", line.replica, line.t, op.made.kind, op.made.record);
            found.push(broken(Rule::Unseen, words));
        }
    }
}
