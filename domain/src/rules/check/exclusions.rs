//! Items that exclude each other: at most one of two counts, whichever is better for the verdicts.
//!
//! The search first lets both count. If its best choice uses both, it branches: once without the one, once without
//! the other. What the choice with both reaches bounds what either branch can reach.

use std::collections::HashMap;

use super::board::Board;
use super::choices::Choices;
use super::report::in_use;
use super::search::{Chosen, MAX_STEPS, search};

/// Branches after which the search stops; what it has found stands, but is not proven best.
const MAX_BRANCHES: u32 = 256;

/// The best choice in which no two items in use exclude each other.
pub fn resolve(board: &Board<'_>) -> (Choices, Chosen) {
    let pairs = pairs(board);
    let mut best: Option<(Choices, Chosen)> = None;
    let mut open = vec![vec![false; board.candidates.len()]];
    let mut branches = 0;
    let mut cut = false;
    let mut budget = MAX_STEPS;
    while let Some(off) = open.pop() {
        branches += 1;
        // Switching off one item of every pair is always a choice, so that the last branch has an answer.
        let last = branches >= MAX_BRANCHES || budget == 0;
        let off = if last { without_all(&pairs, off) } else { off };
        let choices = Choices::new(board, off);
        let chosen = search(board, &choices, &mut budget);
        if best.as_ref().is_some_and(|(_, b)| b.key() >= chosen.key()) {
            // What was not searched to the end bounds nothing.
            cut |= !chosen.proven;
            if last {
                cut |= !open.is_empty();
                break;
            }
            continue;
        }
        let used = if pairs.is_empty() { Vec::new() } else { in_use(board, &choices, &chosen) };
        let clash = pairs.iter().find(|(a, b)| used.contains(a) && used.contains(b));
        let Some((first, second)) = clash.copied() else {
            best = Some((choices, chosen));
            if last {
                cut |= !open.is_empty();
                break;
            }
            continue;
        };
        // The branch that keeps the first item of the pair is looked at first.
        for item in [first, second] {
            let mut off = choices.off.clone();
            off[item] = true;
            open.push(off);
        }
    }
    let (choices, mut chosen) = best.unwrap_or_else(|| {
        let choices = Choices::new(board, without_all(&pairs, vec![false; board.candidates.len()]));
        let chosen = search(board, &choices, &mut budget);
        (choices, chosen)
    });
    chosen.proven &= !cut;
    (choices, chosen)
}

fn without_all(pairs: &[(usize, usize)], mut off: Vec<bool>) -> Vec<bool> {
    for (first, second) in pairs {
        if !off[*first] {
            off[*second] = true;
        }
    }
    off
}

/// Pairs of offered items that exclude each other, by id.
fn pairs(board: &Board<'_>) -> Vec<(usize, usize)> {
    let mut offered: Vec<usize> = board.offers.iter().map(|o| o.candidate).collect();
    offered.dedup();
    if offered.iter().all(|c| board.candidates[*c].conflicts_with.is_empty()) {
        return Vec::new();
    }
    let place: HashMap<_, _> =
        offered.iter().enumerate().map(|(at, c)| (board.candidates[*c].item_id, at)).collect();
    let mut pairs = Vec::new();
    for (at, candidate) in offered.iter().enumerate() {
        for other in &board.candidates[*candidate].conflicts_with {
            if let Some(to) = place.get(other).filter(|to| **to != at) {
                pairs.push((at.min(*to), at.max(*to)));
            }
        }
    }
    pairs.sort_unstable();
    pairs.dedup();
    pairs.into_iter().map(|(a, b)| (offered[a], offered[b])).collect()
}
