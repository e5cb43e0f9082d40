//! Pairs by same attribute: which of the units that serve a rule have partners.
//!
//! Partners are counted by the value they share. A unit that serves the rule is no partner of another; what the pool
//! holds beyond that may serve other rules as well.

use super::Level;
use super::board::Board;
use crate::rules::candidate::Value;
use crate::rules::eligibility::{Eligible, fact};
use crate::rules::model::Need;

/// The most ways of sharing out the units of one rule over the values that are tried.
pub const MAX_SPLITS: usize = 256;

/// The units of the need that partners are wanted for, in classes that are alike for every pair that names it.
pub struct Classes {
    /// The pairs that name the need, by place in the board's leaves.
    pub pairs: Vec<usize>,
    /// The class of each entry of the board.
    pub class_of: Vec<u16>,
    /// For each class and pair: the shared value, and whether the entry could be a partner itself.
    pub classes: Vec<Vec<(Option<String>, bool)>>,
}

/// How many units of each class serve the need.
pub type Split = Vec<(u16, u32)>;

/// What could be a partner.
pub struct Pool {
    by_value: Vec<(String, u32)>,
    /// Of which the value is not known.
    wild: u32,
}

/// A value as it is compared: texts without case, numbers by their bits.
pub fn key(value: &Value) -> Option<String> {
    match value {
        Value::Number(n) if n.is_finite() => Some(format!("{n}")),
        Value::Number(_) => None,
        Value::Bool(b) => Some(b.to_string()),
        Value::Text(t) => Some(t.trim().to_lowercase()),
        Value::Date(d) => Some(d.to_string()),
        Value::Size(a, b) => Some(format!("{}x{}", a.min(*b), a.max(*b))),
    }
}

fn shared_value(board: &Board<'_>, pair: usize, offer: u16) -> Option<String> {
    let Need::Pair { same_attribute, .. } = &board.leaves[pair].leaf.rule.need else { return None };
    fact(same_attribute, board.candidate(offer), board.entry(offer)).and_then(|f| key(&f.value))
}

/// The classes of the need at `target`; `None` when no pair names it.
pub fn classes(board: &Board<'_>, target: usize) -> Option<Classes> {
    let pairs: Vec<usize> =
        (0..board.leaves.len()).filter(|l| board.leaves[*l].pair_for == Some(target)).collect();
    if pairs.is_empty() {
        return None;
    }
    let mut classes: Vec<Vec<(Option<String>, bool)>> = Vec::new();
    let mut class_of = vec![0; board.offers.len()];
    for (offer, _) in &board.leaves[target].answers {
        let in_pool = |pair: usize| {
            board.leaves[pair].answers.iter().any(|(o, e)| o == offer && e.eligible != Eligible::No)
        };
        let class: Vec<_> = pairs.iter().map(|p| (shared_value(board, *p, *offer), in_pool(*p))).collect();
        let at = classes.iter().position(|c| *c == class).unwrap_or_else(|| {
            classes.push(class);
            classes.len() - 1
        });
        class_of[usize::from(*offer)] = at as u16;
    }
    Some(Classes { pairs, class_of, classes })
}

/// What could be a partner in the pair at `pair`, items that are switched off left out.
pub fn pool(board: &Board<'_>, pair: usize, off: &[bool]) -> Pool {
    let mut pool = Pool { by_value: Vec::new(), wild: 0 };
    let usable = |o: &u16| !off[board.offers[usize::from(*o)].candidate];
    let answers = board.leaves[pair].answers.iter();
    let fit = answers.filter(|(o, e)| e.eligible != Eligible::No && usable(o));
    let list: Vec<u16> = fit.clone().map(|(o, _)| *o).collect();
    let sure: Vec<bool> = fit.map(|(_, e)| e.eligible == Eligible::Yes).collect();
    for ((offer, units), sure) in board.spread(&list).zip(sure) {
        match shared_value(board, pair, offer).filter(|_| sure) {
            None => pool.wild += units,
            Some(value) => match pool.by_value.iter_mut().find(|(v, _)| *v == value) {
                Some((_, have)) => *have += units,
                None => pool.by_value.push((value, units)),
            },
        }
    }
    pool
}

/// Whether the units in `split` all have partners in the pool.
pub fn status(classes: &Classes, pair: usize, pool: &Pool, split: &Split) -> Level {
    let Some(column) = classes.pairs.iter().position(|p| *p == pair) else { return Level::NotMet };
    let mut left: Vec<i64> = pool.by_value.iter().map(|(_, units)| i64::from(*units)).collect();
    let mut wild = i64::from(pool.wild);
    let mut anyone = 0i64;
    let mut without = 0i64;
    for (class, units) in split {
        let (value, itself) = &classes.classes[usize::from(*class)][column];
        let units = i64::from(*units);
        let taken = if *itself { 2 * units } else { units };
        match value {
            None => {
                anyone += units;
                wild -= if *itself { units } else { 0 };
            }
            Some(value) => match pool.by_value.iter().position(|(v, _)| v == value) {
                Some(at) => left[at] -= taken,
                None => without += units,
            },
        }
    }
    let short: i64 = left.iter().map(|l| (-l).max(0)).sum::<i64>() + without;
    let spare: i64 = left.iter().map(|l| l.max(&0)).sum::<i64>();
    if short == 0 && anyone == 0 {
        Level::Met
    } else if short <= wild && anyone <= spare + wild - short {
        Level::NotShown
    } else {
        Level::NotMet
    }
}

/// Every way of taking `demand` units from classes that have so many; and whether they were cut short.
pub fn splits(available: &[u64], demand: u32) -> (Vec<Split>, bool) {
    let mut all = Vec::new();
    let mut now = Vec::new();
    let cut = extend(available, 0, demand, &mut now, &mut all);
    (all, cut)
}

fn extend(available: &[u64], class: usize, left: u32, now: &mut Split, all: &mut Vec<Split>) -> bool {
    if left == 0 {
        if all.len() >= MAX_SPLITS {
            return true;
        }
        all.push(now.clone());
        return false;
    }
    let Some(have) = available.get(class) else { return false };
    let rest: u64 = available[class + 1..].iter().sum();
    let most = u32::try_from(*have).unwrap_or(u32::MAX).min(left);
    let least = u32::try_from(u64::from(left).saturating_sub(rest)).unwrap_or(u32::MAX);
    let mut cut = false;
    for units in (least..=most).rev() {
        if units > 0 {
            now.push((class as u16, units));
        }
        cut |= extend(available, class + 1, left - units, now, all);
        if units > 0 {
            now.pop();
        }
        if cut {
            break;
        }
    }
    cut
}

/// Entries of the pool that stand beside the units in use, for the report.
pub fn partners(board: &Board<'_>, pair: usize, off: &[bool], used: &[(u16, u32)]) -> Vec<(u16, u32)> {
    let mut wanted: Vec<(Option<String>, u32)> = Vec::new();
    for (offer, units) in used {
        wanted.push((shared_value(board, pair, *offer), *units));
    }
    let usable = |o: &u16| !off[board.offers[usize::from(*o)].candidate];
    let answers = board.leaves[pair].answers.iter();
    let list: Vec<u16> =
        answers.filter(|(o, e)| e.eligible != Eligible::No && usable(o)).map(|(o, _)| *o).collect();
    let own = |offer: u16| used.iter().filter(|(o, _)| *o == offer).map(|(_, u)| *u).sum::<u32>();
    let mut free: Vec<(u16, Option<String>, u32, u32)> = board
        .spread(&list)
        .map(|(offer, units)| (offer, shared_value(board, pair, offer), units.saturating_sub(own(offer)), 0))
        .collect();
    // Equal values first, then what could be equal.
    for sure in [true, false] {
        for (want, left) in &mut wanted {
            for (_, value, units, given) in &mut free {
                let equal = want == value && value.is_some();
                let open = want.is_none() || value.is_none();
                if if sure { equal } else { open } {
                    let give = (*units).min(*left);
                    (*left, *units, *given) = (*left - give, *units - give, *given + give);
                }
            }
        }
    }
    free.into_iter()
        .filter(|(_, _, _, given)| *given > 0)
        .map(|(offer, _, _, given)| (offer, given))
        .collect()
}
