//! From the best choice to verdicts: which units serve which rule, the value with the least room, and the words.

use super::board::Board;
use super::choices::{Choices, list};
use super::flow::Flow;
use super::search::Chosen;
use super::{Level, Measured, Used, Verdict, VerdictView, notes, pairs};
use crate::rules::eligibility::{Eligibility, Eligible};
use crate::rules::model::{Evidence, Need};

/// The units that serve each simple need, by place in the board's leaves.
pub struct Assigned {
    /// Entry and units.
    pub by_leaf: Vec<Vec<(u16, u32)>>,
    /// For each rule the alternative that is reported.
    pub alternative: Vec<Option<usize>>,
}

/// Gives units to the chosen ways, and what is left to the rules that are not met.
pub fn assign(board: &Board<'_>, choices: &Choices, chosen: &Chosen) -> Assigned {
    let mut by_leaf: Vec<Vec<(u16, u32)>> = vec![Vec::new(); board.leaves.len()];
    let mut alternative = vec![None; board.rules.len()];
    let mut rest: Vec<(usize, Vec<u16>, u32)> = Vec::new();
    for (rule, alternative) in alternative.iter_mut().enumerate() {
        if let Some(way) = chosen.way[rule] {
            *alternative = Some(choices.of_rule[rule][way].alternative);
            continue;
        }
        let nearest = nearest(board, choices, rule);
        *alternative = nearest;
        for leaf in nearest.map(|n| &board.alternatives[rule][n]).into_iter().flatten() {
            if let Need::Count { count, .. } = board.leaves[*leaf].leaf.rule.need {
                rest.push((*leaf, list(board, *leaf, &choices.off, Level::NotShown), count));
            }
        }
    }
    let mut flow = Flow::new(&board.capacity);
    let mut leaf_of_row = Vec::new();
    for (rule, way) in chosen.way.iter().enumerate() {
        let Some(way) = way.map(|w| &choices.of_rule[rule][w]) else { continue };
        for row in &way.rows {
            if row.shareable {
                by_leaf[row.leaf].extend(take(board, &row.list, row.demand));
            } else {
                flow.push(&row.list, row.demand);
                leaf_of_row.push(row.leaf);
            }
        }
    }
    for (leaf, list, demand) in &rest {
        if board.leaves[*leaf].leaf.shareable {
            by_leaf[*leaf].extend(take(board, list, *demand));
        } else {
            flow.push_some(list, *demand);
            leaf_of_row.push(*leaf);
        }
    }
    flow.settle();
    for (row, leaf) in leaf_of_row.iter().enumerate() {
        by_leaf[*leaf].extend(flow.given(row));
    }
    by_leaf.iter_mut().for_each(|units| units.sort_unstable());
    Assigned { by_leaf, alternative }
}

fn take(board: &Board<'_>, list: &[u16], demand: u32) -> Vec<(u16, u32)> {
    let mut left = demand;
    let mut taken = Vec::new();
    for (offer, units) in board.spread(list) {
        let give = units.min(left);
        left -= give;
        if give > 0 {
            taken.push((offer, give));
        }
    }
    taken
}

/// The alternative of a rule that is not met which fails in the fewest needs, each looked at by itself.
fn nearest(board: &Board<'_>, choices: &Choices, rule: usize) -> Option<usize> {
    let failing =
        |set: &[usize]| set.iter().filter(|leaf| alone(board, choices, **leaf) == Level::NotMet).count();
    (0..board.alternatives[rule].len()).min_by_key(|place| failing(&board.alternatives[rule][*place]))
}

/// How far a simple need gets if no other rule wanted anything.
fn alone(board: &Board<'_>, choices: &Choices, leaf: usize) -> Level {
    match (&choices.steady[leaf], &board.leaves[leaf].leaf.rule.need) {
        (Some(steady), _) => steady.level,
        (None, Need::Count { count, .. }) => {
            let enough = |level| board.units(&list(board, leaf, &choices.off, level)) >= u64::from(*count);
            let levels = [Level::Met, Level::NotShown];
            let least = if board.mates_may_help(leaf) { Level::NotShown } else { Level::NotMet };
            levels.into_iter().find(|level| enough(*level)).unwrap_or(least)
        }
        _ => Level::NotMet,
    }
}

/// The items in use by the rules that are met or shown open, by place in the candidates.
pub fn in_use(board: &Board<'_>, choices: &Choices, chosen: &Chosen) -> Vec<usize> {
    let assigned = assign(board, choices, chosen);
    let mut used = Vec::new();
    for rule in (0..board.rules.len()).filter(|r| chosen.level[*r] != Level::NotMet) {
        for leaf in assigned.alternative[rule].map(|a| &board.alternatives[rule][a]).into_iter().flatten() {
            if matches!(board.leaves[*leaf].leaf.rule.need, Need::Forbid { .. }) {
                continue;
            }
            let steady = choices.steady[*leaf].as_ref();
            let leans_on = steady.and_then(|s| s.leans_on).map(|offer| (offer, 0));
            let serving = units(board, choices, &assigned, *leaf).into_iter().chain(leans_on);
            used.extend(serving.map(|(offer, _)| board.offers[usize::from(offer)].candidate));
        }
    }
    used.sort_unstable();
    used.dedup();
    used
}

/// What serves a simple need.
fn units(board: &Board<'_>, choices: &Choices, assigned: &Assigned, leaf: usize) -> Vec<(u16, u32)> {
    match (&choices.steady[leaf], board.leaves[leaf].pair_for) {
        (Some(steady), _) => steady.used.clone(),
        (None, Some(target)) => pairs::partners(board, leaf, &choices.off, &assigned.by_leaf[target]),
        (None, None) => assigned.by_leaf[leaf].clone(),
    }
}

/// One simple need as it came out.
struct Part {
    level: Level,
    used: Vec<(u16, u32)>,
    measured: Option<Measured>,
    evidence: Evidence,
    note: String,
}

/// The verdicts in the order of the sheet.
pub fn report(board: &Board<'_>, choices: &Choices, chosen: &Chosen) -> Vec<VerdictView> {
    let assigned = assign(board, choices, chosen);
    (0..board.rules.len()).map(|rule| one(board, choices, chosen, &assigned, rule)).collect()
}

fn one(
    board: &Board<'_>,
    choices: &Choices,
    chosen: &Chosen,
    assigned: &Assigned,
    rule: usize,
) -> VerdictView {
    let rule_id = board.rules[rule].id.clone();
    let Some(place) = assigned.alternative[rule] else {
        let note = notes::not_applicable(board, rule);
        return VerdictView {
            rule_id,
            verdict: Verdict::NotApplicable,
            used: Vec::new(),
            value: None,
            limit: None,
            margin: None,
            margin_u: None,
            unit: None,
            low: None,
            high: None,
            evidence: Evidence::None,
            note,
        };
    };
    let set = &board.alternatives[rule][place];
    let level = chosen.level[rule];
    let parts: Vec<Part> = set.iter().map(|leaf| part(board, choices, assigned, *leaf)).collect();
    let mut verdict = Verdict::from(level);
    let mut note = notes::join(board, rule, place, level, parts.iter().map(|p| (p.level, p.note.as_str())));
    if verdict == Verdict::NotMet && !chosen.proven {
        verdict = Verdict::NotShown;
        note = format!("there are too many combinations to try them all; {note}");
    }
    let mut units: Vec<(u16, u32)> = parts.iter().flat_map(|p| p.used.iter().copied()).collect();
    units.sort_unstable();
    let mut used: Vec<Used> = Vec::new();
    for (offer, quantity) in units {
        let item_id = board.candidate(offer).item_id;
        match used.last_mut() {
            Some(last) if last.item_id == item_id => last.quantity = last.quantity.saturating_add(quantity),
            _ => used.push(Used { item_id, quantity }),
        }
    }
    // The value of the need that decides: the worst, and of these the one with the least room.
    let worst = parts.iter().map(|p| p.level).min().unwrap_or(level);
    let room = |m: &Measured| m.margin() / m.limit.abs().max(1e-9);
    let deciding = parts.iter().filter(|p| p.level == worst);
    let shown = deciding.clone().filter(|p| p.measured.is_some()).min_by(|a, b| {
        a.measured
            .map(|m| room(&m))
            .partial_cmp(&b.measured.map(|m| room(&m)))
            .unwrap_or(std::cmp::Ordering::Equal)
    });
    let measured = shown.and_then(|p| p.measured);
    let evidence =
        shown.map(|p| p.evidence).or_else(|| deciding.map(|p| p.evidence).min()).unwrap_or(Evidence::None);
    VerdictView {
        rule_id,
        verdict,
        used,
        value: measured.map(|m| m.value),
        limit: measured.map(|m| m.limit),
        margin: measured.map(|m| m.margin()),
        margin_u: measured.and_then(|m| m.margin_u()),
        unit: measured.map(|m| m.unit.to_owned()),
        low: measured.and_then(|m| m.low),
        high: measured.and_then(|m| m.high),
        evidence,
        note,
    }
}

fn part(board: &Board<'_>, choices: &Choices, assigned: &Assigned, leaf: usize) -> Part {
    let case = &board.leaves[leaf];
    if let Some(steady) = &choices.steady[leaf] {
        return Part {
            level: steady.level,
            used: steady.used.clone(),
            measured: steady.measured,
            evidence: steady.evidence,
            note: steady.note.clone(),
        };
    }
    let used = units(board, choices, assigned, leaf);
    match &case.leaf.rule.need {
        Need::Pair { .. } => pair(board, choices, assigned, leaf, used),
        Need::Count { count, .. } => {
            let have: u32 = used.iter().map(|(_, units)| *units).sum();
            let answers: Vec<(u16, Eligibility)> =
                used.iter().filter_map(|(o, _)| answer(board, leaf, *o)).collect();
            let sure = answers.iter().all(|(_, e)| e.eligible == Eligible::Yes);
            let level = match (have >= *count, sure) {
                (false, _) if board.mates_may_help(leaf) => Level::NotShown,
                (false, _) => Level::NotMet,
                (true, true) => Level::Met,
                (true, false) => Level::NotShown,
            };
            let mut measured = tightest(&answers);
            if have < *count {
                measured = nearest_miss(board, leaf).or(measured).filter(|_| have == 0);
            }
            let units = || Measured {
                value: f64::from(have),
                limit: f64::from(*count),
                upper: false,
                unit: "units",
                low: None,
                high: None,
            };
            let evidence = answers.iter().map(|(_, e)| evidence_of(e)).min();
            let evidence = match (measured.is_some(), have) {
                (true, 0) => missed(board, leaf).map_or(Evidence::None, |e| evidence_of(&e)),
                _ => evidence.unwrap_or(Evidence::None),
            };
            let note = notes::count(board, choices, assigned, leaf, level, &used);
            Part { level, measured: Some(measured.unwrap_or_else(units)), used, evidence, note }
        }
        _ => Part {
            level: Level::NotShown,
            used,
            measured: None,
            evidence: Evidence::None,
            note: String::new(),
        },
    }
}

fn pair(
    board: &Board<'_>,
    choices: &Choices,
    assigned: &Assigned,
    leaf: usize,
    used: Vec<(u16, u32)>,
) -> Part {
    let target = board.leaves[leaf].pair_for;
    let wanting = target.map(|t| assigned.by_leaf[t].as_slice()).unwrap_or_default();
    let want: u32 = wanting.iter().map(|(_, u)| *u).sum();
    let have: u32 = used.iter().map(|(_, u)| *u).sum();
    let split = |classes: &pairs::Classes| -> pairs::Split {
        let mut split: pairs::Split = Vec::new();
        for (offer, units) in wanting {
            let class = classes.class_of[usize::from(*offer)];
            match split.iter_mut().find(|(c, _)| *c == class) {
                Some((_, have)) => *have += units,
                None => split.push((class, *units)),
            }
        }
        split
    };
    let classes = target.and_then(|t| choices.classes[t].as_ref());
    let level = match (classes, &choices.pools[leaf]) {
        (Some(classes), Some(pool)) if want > 0 => pairs::status(classes, leaf, pool, &split(classes)),
        _ => Level::NotMet,
    };
    let measured = Measured {
        value: f64::from(have),
        limit: f64::from(want),
        upper: false,
        unit: "units",
        low: None,
        high: None,
    };
    let evidence = if level == Level::Met { Evidence::Declared } else { Evidence::None };
    let note = notes::pair(board, leaf, level, wanting, &used);
    Part { level, used, measured: Some(measured), evidence, note }
}

fn answer(board: &Board<'_>, leaf: usize, offer: u16) -> Option<(u16, Eligibility)> {
    board.leaves[leaf].answers.iter().find(|(o, _)| *o == offer).copied()
}

/// What an answer rests on: nothing when it turns on something not known.
fn evidence_of(answer: &Eligibility) -> Evidence {
    use crate::rules::eligibility::Reason;
    match answer.reason {
        Some(Reason::NotKnown { .. } | Reason::Stale | Reason::RaceDay { .. }) => Evidence::None,
        _ => answer.evidence,
    }
}

fn measured_of(answer: &Eligibility) -> Option<Measured> {
    let shown = answer.shown?;
    let finite = |v: f64| v.is_finite().then_some(v);
    Some(Measured {
        value: shown.value,
        limit: shown.limit,
        upper: shown.op == crate::rules::model::Op::AtMost,
        unit: shown.attribute.unit,
        low: shown.interval.and_then(|(low, _)| finite(low)),
        high: shown.interval.and_then(|(_, high)| finite(high)),
    })
}

fn tightest(answers: &[(u16, Eligibility)]) -> Option<Measured> {
    let room = |m: &Measured| m.margin() / m.limit.abs().max(1e-9);
    let all = answers.iter().filter_map(|(_, e)| measured_of(e));
    all.min_by(|a, b| room(a).partial_cmp(&room(b)).unwrap_or(std::cmp::Ordering::Equal))
}

/// The answer of the item of the right kind that fails a number by the least.
fn missed(board: &Board<'_>, leaf: usize) -> Option<Eligibility> {
    let room =
        |e: &Eligibility| measured_of(e).map_or(f64::NEG_INFINITY, |m| m.margin() / m.limit.abs().max(1e-9));
    let failing = board.leaves[leaf].answers.iter().map(|(_, e)| *e);
    let failing = failing.filter(|e| e.eligible == Eligible::No && e.shown.is_some_and(|s| s.margin() < 0.0));
    failing.max_by(|a, b| room(a).partial_cmp(&room(b)).unwrap_or(std::cmp::Ordering::Equal))
}

fn nearest_miss(board: &Board<'_>, leaf: usize) -> Option<Measured> {
    missed(board, leaf).and_then(|e| measured_of(&e))
}
