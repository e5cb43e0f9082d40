//! Whom to blame when nothing works: a smallest part of the rules that cannot be met together.

use super::limits::Limits;
use super::model::Model;
use super::problem::Problem;
use super::search::Search;

/// What cannot be met together.
pub(super) struct Blame {
    pub requirements: Vec<usize>,
    /// The pockets have a part in it: without a fit the rules could be met.
    pub fit: bool,
    /// Each rule named is needed for it.
    pub minimal: bool,
}

/// Nodes of one trial, and of all.
const TRIAL_NODES: u64 = 800;
const ALL_NODES: u64 = 4_000;

/// Finds an irreducible part of an infeasible problem by leaving rules out one by one (the deletion filter: Chinneck and
/// Dravnieks, ORSA Journal on Computing 3, 1991). A rule that no item can meet is named alone, and the pockets are
/// brought in only when the rules could be met without them.
pub(super) fn blame(problem: &Problem, limits: &mut Limits<'_>) -> Blame {
    limits.part(ALL_NODES, |limits| filter(problem, limits))
}

fn filter(problem: &Problem, limits: &mut Limits<'_>) -> Blame {
    let count = problem.requirements.len();
    let mut trial = |active: &[bool], fit: bool| feasible(problem, active, fit, limits);
    let mut active = vec![true; count];
    let without_fit = trial(&active, false);
    let fit = without_fit != Some(false);
    for k in 0..count {
        active.fill(false);
        active[k] = true;
        if trial(&active, fit) == Some(false) {
            // With the locks alone infeasible no rule is to blame at all.
            active[k] = false;
            let locks = trial(&active, fit) == Some(false);
            return Blame { requirements: if locks { Vec::new() } else { vec![k] }, fit, minimal: true };
        }
    }
    active.fill(true);
    let mut minimal = true;
    for k in (0..count).rev() {
        active[k] = false;
        match trial(&active, fit) {
            Some(false) => {}
            Some(true) => active[k] = true,
            None => {
                active[k] = true;
                minimal = false;
            }
        }
    }
    Blame { requirements: (0..count).filter(|&k| active[k]).collect(), fit, minimal }
}

/// Whether some set meets the active rules; `None` when the limits ran out.
fn feasible(problem: &Problem, active: &[bool], fit: bool, limits: &mut Limits<'_>) -> Option<bool> {
    let model = Model::build_smallest(problem, active, fit);
    let found = limits
        .part(TRIAL_NODES, |limits| Search::new(&model).run(&model.lo, &model.hi, i64::MAX, true, limits));
    if found.best.is_some() {
        Some(true)
    } else if found.complete {
        Some(false)
    } else {
        None
    }
}
