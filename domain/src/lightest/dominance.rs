//! Which items can never be preferred to which others, so that the search need not try.

use super::model::{Goal, Model};
use super::problem::{Item, Problem};

impl Model {
    /// Fills `better` and `worse`, and closes items that every lightest set does without.
    ///
    /// `i` is better than `j` when a unit of `i` in place of one of `j` breaks no rule, lock or fit and gives a set that
    /// comes first (lighter, or as light and with the smaller id): then a lightest set that takes `j` beyond its lock
    /// takes all of `i` first.
    pub(super) fn find_dominance(&mut self, problem: &Problem, goal: Goal) {
        let n = self.items;
        let signature = Signatures::new(self);
        let pinned = pinned(problem);
        let free = |i: &usize| !pinned[*i];
        for j in (0..n).filter(free) {
            if self.hi[j] <= self.lo[j] {
                continue;
            }
            for i in (0..n).filter(free) {
                if i == j || self.hi[i] == 0 {
                    continue;
                }
                let (a, b) = (&problem.items[i], &problem.items[j]);
                let first = match goal {
                    Goal::Lightest => a.mass_mg < b.mass_mg || (a.mass_mg == b.mass_mg && a.id < b.id),
                    // No heavier either, for the sake of caps.
                    Goal::Smallest => {
                        let (cost, other) = (self.cost[i], self.cost[j]);
                        a.mass_mg <= b.mass_mg && (cost < other || (cost == other && a.id < b.id))
                    }
                };
                if first && places_no_worse(a, b, problem.pockets.is_some()) && signature.covers(self, i, j) {
                    self.better[j].push(i);
                    self.worse[i].push(j);
                }
            }
        }
        for j in (0..n).filter(free) {
            if self.hi[j] > self.lo[j] && signature.only_counts(j) {
                let same: i64 = self.better[j]
                    .iter()
                    .filter(|&&i| signature.only_counts(i) && signature.leaves[i] == signature.leaves[j])
                    .map(|&i| self.hi[i])
                    .sum();
                let demand: i64 = signature.leaves[j].iter().map(|&k| self.leaves[k].units).sum();
                if same >= demand {
                    self.hi[j] = self.lo[j];
                }
            }
        }
    }
}

/// Items whose part goes beyond rows, counts and room: containers, and partners in an implication or a pair.
fn pinned(problem: &Problem) -> Vec<bool> {
    let mut pinned: Vec<bool> = problem.items.iter().map(|i| i.container.is_some()).collect();
    for (item, others) in &problem.requires {
        for &i in others.iter().chain([item]) {
            pinned[i] = true;
        }
    }
    pinned
}

fn places_no_worse(a: &Item, b: &Item, fit: bool) -> bool {
    if !fit || a.on_body {
        return true;
    }
    let pockets = match (&a.only_in, &b.only_in) {
        (None, _) => true,
        (Some(_), None) => false,
        (Some(a), Some(b)) => b.iter().all(|p| a.contains(p)),
    };
    !b.on_body && pockets && a.volume <= b.volume && a.reach >= b.reach && (!a.waterproof || b.waterproof)
}

struct Signatures {
    leaves: Vec<Vec<usize>>,
    /// Per item: its coefficients in the rows that are not mere covers or fits, by row.
    rows: Vec<Vec<(usize, i64)>>,
    /// Items that a pair names, on either side.
    paired: Vec<bool>,
}

impl Signatures {
    fn new(model: &Model) -> Self {
        let n = model.items;
        let mut leaves = vec![Vec::new(); n];
        for (k, leaf) in model.leaves.iter().enumerate() {
            for &i in &leaf.eligible {
                leaves[i].push(k);
            }
        }
        let mut rows = vec![Vec::new(); n];
        for (r, row) in model.rows.iter().enumerate().filter(|(r, _)| !model.is_cover_or_fit(*r)) {
            for &(i, a) in row.coefs.iter().filter(|c| c.0 < n) {
                rows[i].push((r, a));
            }
        }
        Self { leaves, rows, paired: model.paired_items() }
    }

    fn only_counts(&self, i: usize) -> bool {
        self.rows[i].is_empty() && !self.paired[i]
    }

    /// Whether a unit of `i` may stand for one of `j` in every row and count.
    fn covers(&self, model: &Model, i: usize, j: usize) -> bool {
        if self.paired[i] || self.paired[j] || !self.leaves[j].iter().all(|k| self.leaves[i].contains(k)) {
            return false;
        }
        let at = |rows: &[(usize, i64)], r: usize| rows.iter().find(|c| c.0 == r).map_or(0, |c| c.1);
        self.rows[i].iter().chain(&self.rows[j]).all(|&(r, _)| {
            let change = at(&self.rows[i], r) - at(&self.rows[j], r);
            let row = &model.rows[r];
            (change >= 0 || row.lo.is_none()) && (change <= 0 || row.hi.is_none())
        })
    }
}
