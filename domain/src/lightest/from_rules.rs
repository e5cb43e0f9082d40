//! The lightest set of a kit for a race's rule sheet: the rules, what is known of the items, and the vest, as a
//! [`Problem`]; and the answer in terms of items again.
//!
//! What the verdicts call MET is what the set is built to be: only items that are known to pass serve a rule, and where a
//! value has an interval and the attribute is one of safety, its worse end counts.

use serde::{Deserialize, Serialize};

use super::limits::Limits;
use super::problem::{
    Container, Item, Lock, LockedPlace, MAX_UNITS, Place, Pocket, Problem, ProblemError, Reach,
};
use super::reasons::reasons;
use super::rule_needs::Compiler;
use super::solve::{Answer, Status, solve};
use crate::ids::ItemId;
use crate::rules::{Candidate, Offer, Race, RuleSheet, Verdict, check};
use crate::units::{MassMg, Millilitres};

/// A candidate with what packing needs to know.
#[derive(Debug, Clone)]
pub struct KitCandidate {
    /// What the rules know of it.
    pub candidate: Candidate,
    /// Of one unit, filled as it would be carried. Unknown: it is taken only when locked.
    pub mass: Option<MassMg>,
    /// Of one unit as packed. Unknown: it is taken only when locked or when no fit is asked for.
    pub volume: Option<Millilitres>,
    /// The slowest place that will do.
    pub reach_needed: Reach,
    /// What it keeps dry.
    pub holds: Option<Container>,
    /// Whether it may be worn, and then needs no pocket.
    pub may_wear: bool,
}

/// The question.
#[derive(Debug, Clone, Copy)]
pub struct Question<'a> {
    /// A validated sheet.
    pub sheet: &'a RuleSheet,
    /// What the race gives.
    pub race: &'a Race,
    /// What may be taken.
    pub kit: &'a [KitCandidate],
    /// What must be taken, by place in the kit.
    pub locks: &'a [Lock],
    /// What must not be taken, by place in the kit.
    pub excluded: &'a [usize],
    /// The vest's pockets, volumes in thousandths of a millilitre; `None` asks for no fit.
    pub pockets: Option<&'a [Pocket]>,
}

/// One line of the set.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetEntry {
    /// The item.
    pub item_id: ItemId,
    /// Whole units.
    pub quantity: u32,
    /// `on_body` or `stowed`.
    pub carry_place: String,
    /// The pocket; absent when worn or when no fit was asked for.
    pub pocket_id: Option<String>,
    /// The container that it lies in.
    pub inside_item_id: Option<ItemId>,
    /// A rule counts on it to the finish.
    pub reserve: bool,
    /// It lies where it stays dry because a rule counts on that.
    pub kept_dry: bool,
}

/// Why an item is in the set.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct SetReason {
    /// The item.
    pub item_id: ItemId,
    /// The rule; absent for a lock and the like.
    pub rule_id: Option<String>,
    /// In words.
    pub text: String,
}

/// The answer.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
pub struct LightestSet {
    /// Proven, infeasible, or a bound when the limits ran out.
    pub status: Status,
    /// The set's mass.
    pub mass_g: Option<f64>,
    /// No set is lighter.
    pub lower_bound_g: Option<f64>,
    /// The set.
    pub entries: Vec<SetEntry>,
    /// Why each thing is in it, and what was left out for want of a mass or a volume.
    pub reasons: Vec<SetReason>,
    /// Rules that cannot be met together.
    pub blame: Vec<String>,
    /// Without the pockets they could be.
    pub blame_pockets: bool,
    /// Without any one of them the rest could be.
    pub blame_minimal: bool,
}

/// Finds the lightest set that meets every rule that applies, holds every lock and fits into the pockets.
///
/// # Errors
/// [`ProblemError`] for contradictory locks, and for more items, units or pockets than the solver takes.
pub fn lightest_set(question: &Question<'_>, limits: &mut Limits<'_>) -> Result<LightestSet, ProblemError> {
    let mut notes = Vec::new();
    let mut problem = frame(question, &mut notes);
    let compiled = Compiler::compile(question);
    problem.requirements = compiled.requirements;
    for (item, dry) in problem.items.iter_mut().zip(&compiled.dry) {
        item.waterproof = *dry;
    }
    let answer = solve(&problem, limits)?;
    let mut set = LightestSet {
        status: answer.status,
        mass_g: answer.mass_mg.map(|m| m as f64 / 1000.0),
        lower_bound_g: answer.lower_bound_mg.map(|m| m as f64 / 1000.0),
        entries: entries(question, &answer, &compiled.reserve, &compiled.dry),
        reasons: notes,
        blame: answer.blame.iter().map(|&r| problem.requirements[r].id.clone()).collect(),
        blame_pockets: answer.blame_fit,
        blame_minimal: answer.blame_minimal,
    };
    if answer.mass_mg.is_some() {
        set.reasons.extend(reasons(&problem, &answer).into_iter().map(|r| SetReason {
            item_id: question.kit[r.item].candidate.item_id,
            rule_id: r.rule_id,
            text: r.text,
        }));
        confirm(question, &mut set);
    }
    Ok(set)
}

/// Items, locks, exclusions and pockets, without the rules.
fn frame(question: &Question<'_>, notes: &mut Vec<SetReason>) -> Problem {
    let mut excluded = question.excluded.to_vec();
    let mut items = Vec::with_capacity(question.kit.len());
    for (i, one) in question.kit.iter().enumerate() {
        let locked: u32 = question.locks.iter().filter(|l| l.item == i).map(|l| l.units).sum();
        let unknown = if one.mass.is_none() {
            Some("mass")
        } else if one.volume.is_none() && question.pockets.is_some() {
            Some("volume")
        } else {
            None
        };
        if let Some(what) = unknown {
            let part = if locked > 0 { "taken as zero, since it is locked" } else { "left out" };
            let text = format!("its {what} is not known: {part}");
            notes.push(SetReason { item_id: one.candidate.item_id, rule_id: None, text });
        }
        if locked == 0 && (unknown.is_some() || one.candidate.unfit.is_some() || one.candidate.stale) {
            excluded.push(i);
        }
        items.push(Item {
            volume: one.volume.map_or(0, |v| v.scaled().unsigned_abs()),
            units: one.candidate.stock.unwrap_or(1).min(MAX_UNITS).max(locked),
            reach: one.reach_needed,
            container: one.holds.clone(),
            on_body: one.may_wear,
            ..Item::new(one.candidate.item_id.to_string(), one.mass.map_or(0, |m| m.scaled().unsigned_abs()))
        });
        if items[i].container.is_some() {
            items[i].units = items[i].units.min(1).max(locked);
        }
    }
    let mut conflicts = Vec::new();
    for (i, one) in question.kit.iter().enumerate() {
        for other in &one.candidate.conflicts_with {
            let at = question.kit.iter().position(|k| k.candidate.item_id == *other);
            conflicts.extend(at.filter(|&j| j != i).map(|j| (i, j)));
        }
    }
    Problem {
        items,
        locks: question.locks.to_vec(),
        excluded,
        conflicts,
        pockets: question.pockets.map(<[Pocket]>::to_vec),
        ..Problem::default()
    }
}

fn entries(question: &Question<'_>, answer: &Answer, reserve: &[bool], dry: &[bool]) -> Vec<SetEntry> {
    let pocket = |p: usize| question.pockets.and_then(|all| all.get(p)).map(|p| p.id.clone());
    let id = |i: usize| question.kit[i].candidate.item_id;
    let entry = |c: &super::solve::Chosen| SetEntry {
        item_id: id(c.item),
        quantity: c.units,
        carry_place: if c.place == Place::OnBody { "on_body" } else { "stowed" }.to_owned(),
        pocket_id: match c.place {
            Place::Pocket(p) | Place::Inside { pocket: p, .. } => pocket(p),
            Place::OnBody | Place::Unplaced => None,
        },
        inside_item_id: match c.place {
            Place::Inside { container, .. } => Some(id(container)),
            _ => None,
        },
        reserve: reserve[c.item],
        kept_dry: dry[c.item] && matches!(c.place, Place::Pocket(_) | Place::Inside { .. }),
    };
    answer.chosen.iter().map(entry).collect()
}

/// Asks for the verdicts on the set. Where one is not MET after all, the set is no proof, and the reasons say so.
fn confirm(question: &Question<'_>, set: &mut LightestSet) {
    let candidates: Vec<Candidate> = question.kit.iter().map(|k| k.candidate.clone()).collect();
    let verdicts = check(question.sheet, &candidates, &offers(question.kit, &set.entries), question.race);
    for verdict in &verdicts.verdicts {
        if matches!(verdict.verdict, Verdict::NotMet | Verdict::NotShown)
            && let Some(first) = set.entries.first()
        {
            set.status = Status::Bound;
            let text = format!(
                "{:?} is {} with this set: {}",
                verdict.rule_id,
                verdict.verdict.words(),
                verdict.note
            );
            let rule_id = Some(verdict.rule_id.clone());
            set.reasons.push(SetReason { item_id: first.item_id, rule_id, text });
        }
    }
}

/// The set's entries as the verdicts see them.
#[must_use]
pub fn offers(kit: &[KitCandidate], entries: &[SetEntry]) -> Vec<Offer> {
    let offer = |e: &SetEntry| {
        let candidate = kit.iter().position(|k| k.candidate.item_id == e.item_id)?;
        let mut offer = Offer { quantity: e.quantity, reserve: e.reserve, ..Offer::new(candidate) };
        if e.kept_dry {
            offer.attributes = super::rule_needs::dry_entry();
        }
        Some(offer)
    };
    entries.iter().filter_map(offer).collect()
}

/// The place of a lock from the names of a loadout's entry.
#[must_use]
pub fn locked_place(carry_place: &str, pocket: Option<usize>, inside: Option<usize>) -> LockedPlace {
    match (carry_place, pocket, inside) {
        ("on_body" | "in_hand", _, _) => LockedPlace::OnBody,
        (_, _, Some(container)) => LockedPlace::Inside(container),
        (_, Some(pocket), None) => LockedPlace::Pocket(pocket),
        _ => LockedPlace::Free,
    }
}
