//! The answer: the lightest set with its proof, or why there is none.

use super::blame::blame;
use super::limits::Limits;
use super::model::Model;
use super::pack::{Packed, pack};
use super::problem::{Place, Problem, ProblemError};
use super::search::{Found, Search};

/// How far the proof went.
#[derive(Debug, Clone, Copy, PartialEq, Eq, serde::Serialize, serde::Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Status {
    /// No set is lighter.
    Proven,
    /// No set meets the rules and fits.
    Infeasible,
    /// The limits ended the search: a lighter set, of at least the lower bound, may exist.
    Bound,
}

/// Units of an item at one place.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord)]
pub struct Chosen {
    /// The item's index.
    pub item: usize,
    /// Where they lie.
    pub place: Place,
    /// How many.
    pub units: u32,
}

/// Units of an item that serve a count rule.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Service {
    /// Index of the top requirement.
    pub requirement: usize,
    /// Id of the count rule itself, which may be part of an alternative.
    pub rule_id: String,
    /// The item's index.
    pub item: usize,
    /// How many.
    pub units: u32,
}

/// What the solver found.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Answer {
    /// How far the proof went.
    pub status: Status,
    /// The set's mass; absent when no set was found.
    pub mass_mg: Option<u64>,
    /// No set is lighter than this; absent when no set exists.
    pub lower_bound_mg: Option<u64>,
    /// Whether the choice among equally light sets is the one that the order of ties asks for.
    pub tie_break_proven: bool,
    /// The set, by item and place.
    pub chosen: Vec<Chosen>,
    /// Which units serve which count rule.
    pub services: Vec<Service>,
    /// Rules of a smallest infeasible part: without any one of them the rest can be met.
    pub blame: Vec<usize>,
    /// Whether the pockets are part of what makes it infeasible.
    pub blame_fit: bool,
    /// Whether the blame was shown to be smallest within the limits.
    pub blame_minimal: bool,
    /// Nodes of the search.
    pub nodes: u64,
    /// Sets that were tried in the pockets.
    pub placings: u64,
}

/// Finds the lightest set; among equally light sets the one of fewer units, then of the smaller ascending list of ids.
///
/// Deterministic for a given node limit. Memory is bounded by the problem's size times the depth of the search, and by
/// fixed limits on what is remembered.
///
/// # Errors
/// [`ProblemError`] when the problem is not well formed.
pub fn solve(problem: &Problem, limits: &mut Limits<'_>) -> Result<Answer, ProblemError> {
    problem.validate()?;
    let active = vec![true; problem.requirements.len()];
    let model = Model::build(problem, &active, true);
    model.check_costs()?;
    let mut search = Search::new(&model);
    let found = search.run(&model.lo, &model.hi, i64::MAX, false, limits);
    let mut answer = Answer {
        status: Status::Bound,
        mass_mg: None,
        lower_bound_mg: Some((found.bound.min(9_000_000_000_000_000) / model.count_scale) as u64),
        tie_break_proven: false,
        chosen: Vec::new(),
        services: Vec::new(),
        blame: Vec::new(),
        blame_fit: false,
        blame_minimal: false,
        nodes: search.nodes,
        placings: search.packs,
    };
    let Found { best, complete, .. } = found;
    let Some(mut best) = best else {
        if complete {
            answer.status = Status::Infeasible;
            answer.lower_bound_mg = None;
            let blamed = blame(problem, limits);
            answer.blame = blamed.requirements;
            answer.blame_fit = blamed.fit;
            answer.blame_minimal = blamed.minimal;
        }
        return Ok(answer);
    };
    let mass = model.cost_of(&best) / model.count_scale;
    answer.mass_mg = Some(mass as u64);
    if complete {
        answer.tie_break_proven = first_of_ties(problem, &model, &mut search, &mut best, limits);
        answer.lower_bound_mg = answer.mass_mg;
    }
    if answer.lower_bound_mg >= answer.mass_mg {
        answer.status = Status::Proven;
    }
    answer.nodes = search.nodes;
    answer.placings = search.packs;
    answer.chosen = place(&model, &best);
    answer.services = model
        .assignment(&best)
        .into_iter()
        .map(|(leaf, item, units)| Service {
            requirement: model.leaves[leaf].top,
            rule_id: model.leaves[leaf].id.clone(),
            item,
            units: units as u32,
        })
        .collect();
    Ok(answer)
}

/// Moves to the set of the smallest ascending list of ids among those of the least mass and count: each item in turn is
/// taken as often as some such set takes it.
fn first_of_ties(
    problem: &Problem,
    model: &Model,
    search: &mut Search<'_>,
    best: &mut Vec<i64>,
    limits: &mut Limits<'_>,
) -> bool {
    let cutoff = model.cost_of(best) + 1;
    let mut order: Vec<usize> = (0..model.items).collect();
    order.sort_by(|&a, &b| problem.items[a].id.cmp(&problem.items[b].id));
    let (mut lo, mut hi) = (model.lo.clone(), model.hi.clone());
    for i in order {
        while best[i] < hi[i] {
            lo[i] = best[i] + 1;
            let found = search.run(&lo, &hi, cutoff, true, limits);
            match found.best {
                Some(other) => *best = other,
                None if !found.complete => return false,
                None => break,
            }
        }
        lo[i] = best[i];
        hi[i] = best[i];
    }
    true
}

fn place(model: &Model, x: &[i64]) -> Vec<Chosen> {
    let units = &x[..model.items];
    let mut lines: Vec<(usize, Place)> = Vec::new();
    match &model.fit {
        None => lines.extend((0..units.len()).flat_map(|i| (0..units[i]).map(move |_| (i, Place::Unplaced)))),
        Some(fit) => {
            let (pieces, worn) = fit.pieces(units);
            lines.extend((0..worn.len()).flat_map(|i| (0..worn[i]).map(move |_| (i, Place::OnBody))));
            if let Packed::Fits(slots) = pack(&pieces, &fit.bins, u64::MAX) {
                for (piece, slot) in pieces.iter().zip(slots) {
                    let place = match slot.container {
                        Some(c) => Place::Inside { container: pieces[c].item, pocket: slot.pocket },
                        None => Place::Pocket(slot.pocket),
                    };
                    lines.push((piece.item, place));
                }
            }
        }
    }
    lines.sort_unstable();
    let mut chosen: Vec<Chosen> = Vec::new();
    for (item, place) in lines {
        match chosen.last_mut() {
            Some(c) if c.item == item && c.place == place => c.units += 1,
            _ => chosen.push(Chosen { item, place, units: 1 }),
        }
    }
    chosen
}
