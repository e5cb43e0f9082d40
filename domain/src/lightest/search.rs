//! Branch and cut: choose first, place after, and learn a row from every set that cannot be placed.
//!
//! Depth first over ranges of the whole-number columns. At each node the ranges are tightened, the linear relaxation
//! gives a bound that holds in spite of rounding, violated count rules are added as rows, and a whole-number optimum of the
//! relaxation is placed exactly. What cannot be placed is reduced to a smallest part that cannot, and every set that holds
//! it, or anything at least as hard to place, is cut off (logic-based Benders decomposition: Hooker and Ottosson,
//! Mathematical Programming 96, 2003).

use super::branching::{Branching, Choice};
use super::limits::Limits;
use super::lp::{Lp, Outcome, Row};
use super::model::Model;
use super::pack::{Packed, Piece, pack};
use super::shadow::may_fit;

/// What a run of the search found.
#[derive(Debug, Clone)]
pub(super) struct Found {
    /// The best solution's columns, if any.
    pub best: Option<Vec<i64>>,
    /// No solution within the ranges and below the cutoff costs less than this.
    pub bound: i64,
    /// The run was not cut short.
    pub complete: bool,
}

#[derive(Clone)]
struct Node {
    lo: Vec<i64>,
    hi: Vec<i64>,
    bound: i64,
}

const PACK_BUDGET: u64 = 60_000;
const SHRINK_BUDGET: u64 = 3_000;
const MOST_ROWS: usize = 250;
const MOST_NOGOODS: usize = 2_000;
/// Sets that could not be placed before partial sets are looked at too.
const PATIENCE: u64 = 3;
const FRACTION: f64 = 1e-6;

pub(super) struct Search<'m> {
    model: &'m Model,
    lp: Lp,
    branching: Branching,
    nogoods: Vec<Nogood>,
    pub nodes: u64,
    pub packs: u64,
    failed_packs: u64,
}

/// A set that cannot be placed.
#[derive(Clone)]
struct Nogood {
    /// (item, units).
    counts: Vec<(usize, i64)>,
    /// Containers that it does not hold: with one more of them what must lie dry might be placed.
    helpers: Vec<usize>,
}

enum Step {
    Pruned,
    Branch(usize, i64),
    Undecided,
    Again,
}

impl<'m> Search<'m> {
    pub fn new(model: &'m Model) -> Self {
        let cost = model.cost.iter().map(|&c| c as f64).collect();
        let branching = Branching::new(model.lo.len());
        Self {
            model,
            lp: Lp::new(cost, model.rows.clone()),
            branching,
            nogoods: Vec::new(),
            nodes: 0,
            packs: 0,
            failed_packs: 0,
        }
    }

    /// Finds the cheapest solution within the ranges that costs less than `cutoff`, or any such when `first_only`.
    pub fn run(
        &mut self,
        lo: &[i64],
        hi: &[i64],
        cutoff: i64,
        first_only: bool,
        limits: &mut Limits<'_>,
    ) -> Found {
        let mut found = Found { best: None, bound: i64::MAX, complete: true };
        let mut cutoff = cutoff;
        let mut stack = vec![Node { lo: lo.to_vec(), hi: hi.to_vec(), bound: 0 }];
        while let Some(mut node) = stack.pop() {
            if node.bound >= cutoff {
                continue;
            }
            if !limits.spend() {
                found.complete = false;
                found.bound = stack.iter().map(|n| n.bound).fold(found.bound.min(node.bound), i64::min);
                break;
            }
            self.nodes += 1;
            let step = loop {
                match self.examine(&mut node, &mut cutoff, &mut found.best) {
                    Step::Again => {}
                    other => break other,
                }
            };
            match step {
                Step::Pruned | Step::Again => {}
                Step::Undecided => {
                    found.complete = false;
                    found.bound = found.bound.min(node.bound);
                }
                Step::Branch(j, at) => {
                    let mut down = node.clone();
                    down.hi[j] = at - 1;
                    node.lo[j] = at;
                    stack.push(down);
                    stack.push(node);
                }
            }
            if first_only && found.best.is_some() {
                return found;
            }
        }
        found.bound = found.bound.min(cutoff);
        found
    }

    fn examine(&mut self, node: &mut Node, cutoff: &mut i64, best: &mut Option<Vec<i64>>) -> Step {
        if !self.tighten(&mut node.lo, &mut node.hi) {
            return Step::Pruned;
        }
        self.lp.set_bounds(&node.lo, &node.hi);
        if self.lp.solve(5_000) == Outcome::Infeasible {
            return Step::Pruned;
        }
        let (safe, reduced) = self.lp.safe_bound();
        node.bound = node.bound.max(self.model.round_up(safe));
        if node.bound >= *cutoff {
            return Step::Pruned;
        }
        let stale = self.fix_by_cost(node, safe, &reduced, *cutoff);
        if stale && !self.tighten(&mut node.lo, &mut node.hi) {
            return Step::Pruned;
        }
        if self.failed_packs >= PATIENCE
            && let Some(fit) = &self.model.fit
            && !may_fit(self.model, fit, &node.lo, &node.hi)
        {
            return Step::Pruned;
        }
        let x = self.lp.values();
        // What was closed just now may leave the relaxation's optimum outside.
        let outside = |j: usize| x[j] < node.lo[j] as f64 - FRACTION || x[j] > node.hi[j] as f64 + FRACTION;
        if stale && (0..x.len()).any(outside) {
            return Step::Again;
        }
        let mut added = false;
        for component in &self.model.components {
            let plain = component.len() == 1 && !self.model.has_pairs(component[0]);
            if !plain && let Some(row) = self.model.separate(component, &x, 1e-6) {
                self.lp.add_row(row);
                added = true;
            }
        }
        if added {
            self.lp.purge(self.model.rows.len(), MOST_ROWS);
            return Step::Again;
        }
        let fractional = self.fractional(&x, node);
        if !fractional.is_empty() {
            let model = self.model;
            let limit = *cutoff;
            let closed = |bound: f64| model.round_up(bound) >= limit;
            match self.branching.choose(&mut self.lp, &fractional, &node.lo, &node.hi, safe, closed) {
                Choice::Column(j) => return Step::Branch(j, x[j].floor() as i64 + 1),
                Choice::Closed(j, true) => node.lo[j] = x[j].floor() as i64 + 1,
                Choice::Closed(j, false) => node.hi[j] = x[j].floor() as i64,
            }
            return Step::Again;
        }
        let whole: Vec<i64> = x.iter().map(|v| v.round() as i64).collect();
        let open = || (0..whole.len()).find(|&j| node.lo[j] < node.hi[j]);
        let branch = |j: usize| Step::Branch(j, whole[j].clamp(node.lo[j] + 1, node.hi[j]));
        if !self.meets_rules(&whole) {
            return open().map_or(Step::Pruned, branch);
        }
        match self.place(&whole) {
            Placing::Fits => {
                let z = self.model.cost_of(&whole);
                if z < *cutoff {
                    *cutoff = z;
                    *best = Some(whole.clone());
                }
                // The relaxation's optimum is this very set, up to rounding; what rounding leaves open is branched on.
                if node.bound >= *cutoff { Step::Pruned } else { open().map_or(Step::Pruned, branch) }
            }
            Placing::Cut => Step::Again,
            Placing::Avoid(nogood) => {
                let free = nogood.counts.iter().copied().find(|&(i, count)| node.lo[i] < count);
                let helper = nogood.helpers.iter().find(|&&c| node.lo[c] < node.hi[c]);
                match (free, helper) {
                    (Some((i, count)), _) => Step::Branch(i, count),
                    (None, Some(&c)) => Step::Branch(c, node.hi[c]),
                    (None, None) => Step::Pruned,
                }
            }
            Placing::Undecided => open().map_or(Step::Undecided, branch),
        }
    }

    fn meets_rules(&self, x: &[i64]) -> bool {
        let floats: Vec<f64> = x.iter().map(|&v| v as f64).collect();
        self.model.rows.iter().all(|r| r.holds(x))
            && self.model.components.iter().all(|c| self.model.separate(c, &floats, 0.5).is_none())
    }

    /// Columns that are not whole; switches alone where there are any, since they decide which rules hold at all.
    fn fractional(&self, x: &[f64], node: &Node) -> Vec<(usize, f64)> {
        let all = |from: usize, to: usize| -> Vec<(usize, f64)> {
            (from..to)
                .filter(|&j| (x[j] - x[j].round()).abs() > FRACTION && node.lo[j] < node.hi[j])
                .map(|j| (j, x[j]))
                .collect()
        };
        let switches = all(self.model.items, x.len());
        if switches.is_empty() { all(0, self.model.items) } else { switches }
    }

    /// Closes what would cost at least the cutoff by its reduced cost alone.
    fn fix_by_cost(&self, node: &mut Node, safe: f64, reduced: &[f64], cutoff: i64) -> bool {
        let mut changed = false;
        for (j, &r) in reduced.iter().enumerate() {
            let width = node.hi[j] - node.lo[j];
            if width > 0 && self.model.round_up(safe + r.abs() * width as f64) >= cutoff {
                let steps =
                    (0..width).rev().find(|&s| self.model.round_up(safe + r.abs() * s as f64) < cutoff);
                let keep = steps.unwrap_or(0);
                if r > 0.0 {
                    node.hi[j] = node.lo[j] + keep;
                } else {
                    node.lo[j] = node.hi[j] - keep;
                }
                changed = true;
            }
        }
        changed
    }

    /// Tightens ranges by the rows, by what is better, and by what cannot be placed; false when a range is empty.
    fn tighten(&self, lo: &mut [i64], hi: &mut [i64]) -> bool {
        for _ in 0..8 {
            let mut changed = false;
            for row in &self.model.rows {
                match tighten_row(row, lo, hi) {
                    None => return false,
                    Some(c) => changed |= c,
                }
            }
            for j in 0..self.model.items {
                if lo[j] > self.model.lo[j] {
                    for &i in &self.model.better[j] {
                        if lo[i] < self.model.hi[i] {
                            lo[i] = self.model.hi[i];
                            changed = true;
                        }
                    }
                }
                if hi[j] < self.model.hi[j] {
                    for &k in &self.model.worse[j] {
                        if hi[k] > self.model.lo[k] {
                            hi[k] = self.model.lo[k];
                            changed = true;
                        }
                    }
                }
            }
            for nogood in &self.nogoods {
                if nogood.helpers.iter().any(|&c| hi[c] > 0) {
                    continue;
                }
                let mut open = nogood.counts.iter().filter(|&&(i, count)| lo[i] < count);
                match (open.next(), open.next()) {
                    (None, _) => return false,
                    (Some(&(i, count)), None) if hi[i] >= count => {
                        hi[i] = count - 1;
                        changed = true;
                    }
                    _ => {}
                }
            }
            if lo.iter().zip(hi.iter()).any(|(l, h)| l > h) {
                return false;
            }
            if !changed {
                break;
            }
        }
        true
    }

    fn place(&mut self, whole: &[i64]) -> Placing {
        let Some(fit) = &self.model.fit else { return Placing::Fits };
        self.packs += 1;
        let (pieces, _) = fit.pieces(&whole[..self.model.items]);
        match pack(&pieces, &fit.bins, PACK_BUDGET) {
            Packed::Fits(_) => Placing::Fits,
            Packed::Undecided => Placing::Undecided,
            Packed::No => {
                self.failed_packs += 1;
                let pieces_of: Vec<usize> = pieces.iter().map(|p| p.item).collect();
                let core = self.shrink(pieces);
                let mut counts: Vec<(usize, i64)> = Vec::new();
                for piece in &core {
                    match counts.iter_mut().find(|c| c.0 == piece.item) {
                        Some(c) => c.1 += 1,
                        None => counts.push((piece.item, 1)),
                    }
                }
                let helpers = if core.iter().any(|p| p.dry) {
                    fit.missing_containers(&pieces_of, &self.model.hi)
                } else {
                    Vec::new()
                };
                let nogood = Nogood { counts, helpers };
                if self.nogoods.len() < MOST_NOGOODS {
                    self.nogoods.push(nogood.clone());
                }
                match self.cover_cut(&core, &nogood) {
                    Some(row) => {
                        self.lp.add_row(row);
                        self.lp.purge(self.model.rows.len(), MOST_ROWS);
                        Placing::Cut
                    }
                    None => Placing::Avoid(nogood),
                }
            }
        }
    }

    /// Leaves out pieces, the smallest first, as long as the rest still cannot be placed.
    fn shrink(&self, mut pieces: Vec<Piece>) -> Vec<Piece> {
        let Some(fit) = &self.model.fit else { return pieces };
        pieces.sort_by_key(|p| (p.volume, p.item));
        let mut k = 0;
        while k < pieces.len() {
            let mut rest = pieces.clone();
            rest.remove(k);
            // A container may hold what is left, so it goes only with its content.
            if pieces[k].inner.is_none() && pack(&rest, &fit.bins, SHRINK_BUDGET) == Packed::No {
                pieces = rest;
            } else {
                k += 1;
            }
        }
        pieces
    }

    /// At most one less than the core's size from the core and from all that is at least as hard to place as each of it.
    fn cover_cut(&self, core: &[Piece], nogood: &Nogood) -> Option<Row> {
        let fit = self.model.fit.as_ref()?;
        let harder = |k: &Piece, c: &Piece| {
            k.inner.is_none()
                && c.inner.is_none()
                && k.inside.is_none()
                && c.inside.is_none()
                && k.volume >= c.volume
                && k.mass >= c.mass
                && k.pockets & !c.pockets == 0
                && k.reached & !c.reached == 0
                && k.reach <= c.reach
        };
        let has_container = core.iter().any(|p| p.inner.is_some() || p.inside.is_some());
        let mut coefs = Vec::new();
        for i in 0..self.model.items {
            let piece = fit.template_of(i);
            let in_core = nogood.counts.iter().find(|c| c.0 == i).map_or(0, |c| c.1);
            let plain = fit.is_plain(i);
            let beyond = self.model.hi[i] > in_core;
            let hardest = !has_container && plain && core.iter().all(|c| c.item == i || harder(piece, c));
            if in_core > 0 && (!beyond || hardest) || in_core == 0 && hardest && self.model.hi[i] > 0 {
                coefs.push((i, 1));
            } else if in_core > 0 {
                return None;
            }
        }
        let most: i64 = coefs.iter().map(|&(i, _)| self.model.hi[i]).sum();
        let limit = core.len() as i64 - 1;
        for &c in &nogood.helpers {
            coefs.retain(|k| k.0 != c);
            coefs.push((c, -(most - limit)));
        }
        Some(Row::at_most(coefs, limit))
    }
}

enum Placing {
    Fits,
    Cut,
    Avoid(Nogood),
    Undecided,
}

/// One round of bounds on one row; `None` when it cannot hold.
fn tighten_row(row: &Row, lo: &mut [i64], hi: &mut [i64]) -> Option<bool> {
    let (mut least, mut most) = (0i128, 0i128);
    for &(j, a) in &row.coefs {
        let (l, h) = (i128::from(a) * i128::from(lo[j]), i128::from(a) * i128::from(hi[j]));
        least += l.min(h);
        most += l.max(h);
    }
    let mut changed = false;
    if let Some(limit) = row.hi.map(i128::from) {
        if least > limit {
            return None;
        }
        if most > limit {
            let spare = limit - least;
            for &(j, a) in &row.coefs {
                let a = i128::from(a);
                if a.abs() * i128::from(hi[j] - lo[j]) > spare {
                    let steps = (spare / a.abs()) as i64;
                    if a > 0 {
                        hi[j] = lo[j] + steps;
                    } else {
                        lo[j] = hi[j] - steps;
                    }
                    changed = true;
                }
            }
        }
    }
    if let Some(limit) = row.lo.map(i128::from) {
        if changed {
            return Some(true);
        }
        if most < limit {
            return None;
        }
        if least < limit {
            let spare = most - limit;
            for &(j, a) in &row.coefs {
                let a = i128::from(a);
                if a.abs() * i128::from(hi[j] - lo[j]) > spare {
                    let steps = (spare / a.abs()) as i64;
                    if a > 0 {
                        lo[j] = hi[j] - steps;
                    } else {
                        hi[j] = lo[j] + steps;
                    }
                    changed = true;
                }
            }
        }
    }
    Some(changed)
}
