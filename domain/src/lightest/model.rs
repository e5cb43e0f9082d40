//! The question as whole-number columns and linear rows, plus what is kept apart: count rules as flows, and the fit.
//!
//! A unit serves one count rule, so a set of count rules can be met exactly when the units can be sent to the rules
//! (a transport problem). By the theorem of Gale and Hall that is a family of linear rows over the units taken, one per
//! subset of rules; they are added only when a minimum cut shows one violated.

use super::fit::Fit;
use super::lp::Row;
use super::problem::{LockedPlace, Need, Problem, ProblemError, Requirement};

/// Below 2^53 whole numbers are exact as floating-point numbers.
const MOST_COST: i128 = 4_000_000_000_000_000;

/// A count rule, at the top or within an alternative.
pub(super) struct Leaf {
    /// Index of the requirement that it belongs to.
    pub top: usize,
    pub id: String,
    pub eligible: Vec<usize>,
    pub units: i64,
    pub shareable: bool,
    /// The column that switches it on; always on when absent.
    pub on: Option<usize>,
    pub pairs: Vec<PairUse>,
}

/// A pair that restricts which units may serve a count rule.
pub(super) struct PairUse {
    pub on: Option<usize>,
    pub groups: Vec<Group>,
}

/// Items of one attribute value.
pub(super) struct Group {
    pub items: Vec<usize>,
    pub partners: Vec<usize>,
    /// Whether some partner is taken, as a column; otherwise each serving unit needs a partner unit.
    pub any: Option<usize>,
}

/// `constant + sum coefs . x`.
#[derive(Default, Clone)]
pub(super) struct Linear {
    pub constant: i64,
    pub coefs: Vec<(usize, i64)>,
}

impl Linear {
    pub fn at(&self, x: &[f64]) -> f64 {
        self.constant as f64 + self.coefs.iter().map(|&(j, a)| a as f64 * x[j]).sum::<f64>()
    }

    pub fn add(&mut self, other: &Linear, times: i64) {
        self.constant += times * other.constant;
        for &(j, a) in &other.coefs {
            match self.coefs.iter_mut().find(|c| c.0 == j) {
                Some(c) => c.1 += times * a,
                None => self.coefs.push((j, times * a)),
            }
        }
    }
}

/// What the best set is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Goal {
    Lightest,
    Smallest,
}

/// Columns, rows and what is kept apart. The first columns are the items' units.
pub(super) struct Model {
    pub items: usize,
    pub lo: Vec<i64>,
    pub hi: Vec<i64>,
    /// Mass in mg times `count_scale`, plus one per unit: mass first, then the number of units.
    pub cost: Vec<i64>,
    pub count_scale: i64,
    /// Every mass is a multiple of this.
    pub mass_step: i64,
    pub rows: Vec<Row>,
    /// The rows from here on only repeat what the count rules and the fit say.
    structural_rows: usize,
    pub leaves: Vec<Leaf>,
    /// Leaves that compete for units; a shareable leaf stands alone.
    pub components: Vec<Vec<usize>>,
    pub fit: Option<Fit>,
    /// `better[j]`: items that must be taken in full before a further unit of `j`.
    pub better: Vec<Vec<usize>>,
    /// The reverse: items that come only after `i` is taken in full.
    pub worse: Vec<Vec<usize>>,
}

impl Model {
    /// Builds the model of the requirements that `active` keeps. `problem` is valid.
    pub fn build(problem: &Problem, active: &[bool], with_fit: bool) -> Self {
        let mut model = Self::build_plain(problem, active, with_fit);
        model.find_dominance(problem, Goal::Lightest);
        model
    }

    /// The same for the question whether any set works at all: the smallest set is sought instead of the lightest, since
    /// room is what most often runs out.
    pub fn build_smallest(problem: &Problem, active: &[bool], with_fit: bool) -> Self {
        let mut model = Self::build_plain(problem, active, with_fit);
        if let Some(fit) = &model.fit {
            model.mass_step = 1;
            for i in 0..model.items {
                // The weight is only a guide; what is too large for it counts as very large.
                model.cost[i] =
                    (fit.scarcity(i).min(1_000_000_000) * model.count_scale).min(1_000_000_000_000) + 1;
            }
            model.find_dominance(problem, Goal::Smallest);
        } else {
            model.find_dominance(problem, Goal::Lightest);
        }
        model
    }

    /// The model in which every set that meets it may be found, not only the ones that a lightest set could be.
    pub fn build_plain(problem: &Problem, active: &[bool], with_fit: bool) -> Self {
        let n = problem.items.len();
        let mut model = Self {
            items: n,
            lo: vec![0; n],
            hi: problem.items.iter().map(|i| i64::from(i.units)).collect(),
            cost: Vec::new(),
            count_scale: 1,
            mass_step: 1,
            rows: Vec::new(),
            structural_rows: 0,
            leaves: Vec::new(),
            components: Vec::new(),
            fit: None,
            better: vec![Vec::new(); n],
            worse: vec![Vec::new(); n],
        };
        for lock in &problem.locks {
            model.lo[lock.item] += i64::from(lock.units);
        }
        for &i in &problem.excluded {
            model.hi[i] = 0;
        }
        let mut pairs = Vec::new();
        for (top, r) in problem.requirements.iter().enumerate() {
            if active[top] {
                model.add_requirement(r, top, None, &mut pairs);
            }
        }
        model.attach_pairs(&pairs);
        model.cap_units(problem);
        model.add_conflicts(problem);
        for (item, others) in &problem.requires {
            let most = model.hi[*item];
            let mut row = Linear { constant: 0, coefs: vec![(*item, -1)] };
            let others = Linear { constant: 0, coefs: dedup(others).map(|j| (j, most)).collect() };
            row.add(&others, 1);
            model.rows.push(Row::at_least(row.coefs, 0));
        }
        model.structural_rows = model.rows.len();
        model.find_components();
        model.add_single_covers();
        if with_fit && let Some(pockets) = &problem.pockets {
            let fit = Fit::build(problem, pockets);
            model.rows.extend(fit.rows(&model.hi));
            model.fit = Some(fit);
        }
        model.set_costs(problem);
        model
    }

    fn column(&mut self, hi: i64) -> usize {
        self.lo.push(0);
        self.hi.push(hi);
        self.lo.len() - 1
    }

    fn add_requirement<'p>(
        &mut self,
        r: &'p Requirement,
        top: usize,
        on: Option<usize>,
        pairs: &mut Vec<(&'p Need, Option<usize>)>,
    ) {
        match &r.need {
            Need::Count { eligible, units, shareable } => self.leaves.push(Leaf {
                top,
                id: r.id.clone(),
                eligible: dedup(eligible).collect(),
                units: i64::from(*units),
                shareable: *shareable,
                on,
                pairs: Vec::new(),
            }),
            Need::Total { amounts, at_least, at_most } => {
                let mut sum = Linear::default();
                for &(i, a) in amounts.iter().filter(|a| a.1 > 0) {
                    sum.add(&Linear { constant: 0, coefs: vec![(i, a)] }, 1);
                }
                let most: i64 = sum.coefs.iter().map(|&(i, a)| a * self.hi[i]).sum();
                if let Some(least) = *at_least {
                    let mut coefs = sum.coefs.clone();
                    let lo = match on {
                        Some(w) => {
                            coefs.push((w, -least));
                            0
                        }
                        None => least,
                    };
                    self.rows.push(Row::at_least(coefs, lo));
                }
                if let Some(limit) = *at_most
                    && most > limit
                {
                    self.push_at_most(sum.coefs, limit, most, on);
                }
            }
            Need::AnyOf(options) => {
                let choices: Vec<usize> = options.iter().map(|_| self.column(1)).collect();
                let mut coefs: Vec<_> = choices.iter().map(|&w| (w, 1)).collect();
                let sum = i64::from(on.is_none());
                coefs.extend(on.map(|w| (w, -1)));
                self.rows.push(Row { coefs, lo: Some(sum), hi: Some(sum) });
                for (option, &w) in options.iter().zip(&choices) {
                    for inner in option {
                        self.add_requirement(inner, top, Some(w), pairs);
                    }
                }
            }
            Need::Pair { .. } => pairs.push((&r.need, on)),
            Need::Forbid(items) => {
                let coefs: Vec<_> = dedup(items).map(|i| (i, 1)).collect();
                let most = coefs.iter().map(|&(i, _)| self.hi[i]).sum();
                self.push_at_most(coefs, 0, most, on);
            }
        }
    }

    /// `sum <= limit` when switched on, else `sum <= most`.
    fn push_at_most(&mut self, mut coefs: Vec<(usize, i64)>, limit: i64, most: i64, on: Option<usize>) {
        let hi = match on {
            Some(w) => {
                coefs.push((w, most - limit));
                most
            }
            None => limit,
        };
        self.rows.push(Row::at_most(coefs, hi));
    }

    fn attach_pairs(&mut self, pairs: &[(&Need, Option<usize>)]) {
        for &(need, on) in pairs {
            let Need::Pair { of, groups, per_unit } = need else { continue };
            let mut built = Vec::new();
            for group in groups {
                let partners: Vec<usize> = dedup(&group.partners).collect();
                let any = (!per_unit).then(|| {
                    let any = self.column(1);
                    let mut coefs: Vec<_> = partners.iter().map(|&j| (j, 1)).collect();
                    coefs.push((any, -1));
                    self.rows.push(Row::at_least(coefs, 0));
                    any
                });
                built.push((group.items.clone(), partners, any));
            }
            for leaf in self.leaves.iter_mut().filter(|l| l.id == *of) {
                let groups = built
                    .iter()
                    .map(|(items, partners, any)| Group {
                        items: items.clone(),
                        partners: partners.clone(),
                        any: *any,
                    })
                    .collect();
                leaf.pairs.push(PairUse { on, groups });
            }
        }
    }

    /// No lightest set takes more units of an item than all that asks for it could use.
    fn cap_units(&mut self, problem: &Problem) {
        let mut useful = vec![0i64; self.items];
        for leaf in &self.leaves {
            for &i in &leaf.eligible {
                useful[i] += leaf.units;
            }
            for &j in leaf.pairs.iter().flat_map(|p| &p.groups).flat_map(|g| &g.partners) {
                useful[j] += leaf.units;
            }
        }
        for row in &self.rows {
            let extra: i64 = row.coefs.iter().filter(|c| c.1 < 0).map(|&(j, a)| -a * self.hi[j]).sum();
            if let Some(lo) = row.lo {
                for &(i, a) in row.coefs.iter().filter(|c| c.0 < self.items && c.1 > 0) {
                    useful[i] = useful[i].saturating_add((lo + extra).max(0).div_euclid(a) + 1);
                }
            }
        }
        for j in problem.requires.iter().flat_map(|r| &r.1) {
            useful[*j] += 1;
        }
        for (i, useful) in useful.iter().enumerate() {
            let container = i64::from(problem.items[i].container.is_some());
            self.hi[i] = self.hi[i].min((useful + container).max(self.lo[i]));
        }
    }

    fn add_conflicts(&mut self, problem: &Problem) {
        let mut indicator: Vec<Option<usize>> = vec![None; self.items];
        for &(a, b) in &problem.conflicts {
            let columns = [a, b].map(|i| {
                if self.hi[i] <= 1 {
                    return i;
                }
                *indicator[i].get_or_insert_with(|| {
                    self.lo.push(0);
                    self.hi.push(1);
                    let taken = self.lo.len() - 1;
                    self.rows.push(Row::at_most(vec![(i, 1), (taken, -self.hi[i])], 0));
                    taken
                })
            });
            if a == b {
                self.rows.push(Row::at_most(vec![(columns[0], 1)], 0));
            } else {
                self.rows.push(Row::at_most(vec![(columns[0], 1), (columns[1], 1)], 1));
            }
        }
    }

    fn find_components(&mut self) {
        let mut of_item: Vec<Option<usize>> = vec![None; self.items];
        let mut parent: Vec<usize> = (0..self.leaves.len()).collect();
        fn root(parent: &[usize], mut k: usize) -> usize {
            while parent[k] != k {
                k = parent[k];
            }
            k
        }
        for (k, leaf) in self.leaves.iter().enumerate().filter(|(_, l)| !l.shareable) {
            for &i in &leaf.eligible {
                match of_item[i] {
                    Some(other) => {
                        let (a, b) = (root(&parent, k), root(&parent, other));
                        parent[a.max(b)] = a.min(b);
                    }
                    None => of_item[i] = Some(k),
                }
            }
        }
        let mut groups: Vec<Vec<usize>> = vec![Vec::new(); self.leaves.len()];
        for k in 0..self.leaves.len() {
            groups[root(&parent, k)].push(k);
        }
        self.components = groups.into_iter().filter(|g| !g.is_empty()).collect();
    }

    /// Each count rule by itself: its eligible units are enough.
    fn add_single_covers(&mut self) {
        for leaf in &self.leaves {
            let mut coefs: Vec<_> = leaf.eligible.iter().map(|&i| (i, 1)).collect();
            let lo = match leaf.on {
                Some(w) => {
                    coefs.push((w, -leaf.units));
                    0
                }
                None => leaf.units,
            };
            self.rows.push(Row::at_least(coefs, lo));
        }
    }

    fn set_costs(&mut self, problem: &Problem) {
        self.count_scale = 1 + self.hi[..self.items].iter().sum::<i64>();
        self.mass_step = problem.items.iter().fold(0, |g, item| gcd(g, item.mass_mg as i64)).max(1);
        self.cost = vec![0; self.lo.len()];
        for (cost, item) in self.cost.iter_mut().zip(&problem.items) {
            *cost = (item.mass_mg as i64).saturating_mul(self.count_scale).saturating_add(1);
        }
    }

    /// Refuses masses and numbers of units whose products are no longer exact.
    pub fn check_costs(&self) -> Result<(), ProblemError> {
        let all: i128 = self.cost.iter().zip(&self.hi).map(|(&c, &h)| i128::from(c) * i128::from(h)).sum();
        if all > MOST_COST {
            let what = "the product of all masses in mg and units".to_owned();
            return Err(ProblemError::TooLarge {
                what,
                value: u64::try_from(all).unwrap_or(u64::MAX),
                most: MOST_COST as u64,
            });
        }
        Ok(())
    }

    /// Whether row `r` follows from the count rules or from the fit.
    pub fn is_cover_or_fit(&self, r: usize) -> bool {
        r >= self.structural_rows
    }

    /// Whether a pair restricts which units may serve the count rule.
    pub fn has_pairs(&self, leaf: usize) -> bool {
        !self.leaves[leaf].pairs.is_empty()
    }

    /// Items that a pair names, on either side.
    pub fn paired_items(&self) -> Vec<bool> {
        let mut paired = vec![false; self.items];
        for group in self.leaves.iter().flat_map(|l| &l.pairs).flat_map(|p| &p.groups) {
            for &i in group.items.iter().chain(&group.partners) {
                paired[i] = true;
            }
        }
        paired
    }

    /// The least cost of a whole solution that costs at least `bound`.
    pub fn round_up(&self, bound: f64) -> i64 {
        // Beyond 2^53 neighbouring whole numbers are not distinct; costs are kept below that.
        let z = (bound - 1e-6).ceil().clamp(0.0, 9e15) as i64;
        let mass = z.div_euclid(self.count_scale);
        if mass % self.mass_step == 0 {
            z
        } else {
            (mass / self.mass_step + 1) * self.mass_step * self.count_scale
        }
    }

    pub fn cost_of(&self, x: &[i64]) -> i64 {
        self.cost.iter().zip(x).map(|(c, v)| c * v).sum()
    }

    /// The rows that are not mere covers or fits: totals and bans among them.
    pub fn total_rows(&self) -> &[Row] {
        &self.rows[..self.structural_rows]
    }
}

/// Ascending, each once.
pub(super) fn dedup(items: &[usize]) -> impl Iterator<Item = usize> + use<> {
    let mut items = items.to_vec();
    items.sort_unstable();
    items.dedup();
    items.into_iter()
}

pub(super) fn gcd(a: i64, b: i64) -> i64 {
    if b == 0 { a } else { gcd(b, a % b) }
}

/// Units that locks put on the body, by item.
pub(super) fn worn_by_lock(problem: &Problem) -> Vec<i64> {
    let mut worn = vec![0; problem.items.len()];
    for lock in problem.locks.iter().filter(|l| l.place == LockedPlace::OnBody) {
        worn[lock.item] += i64::from(lock.units);
    }
    worn
}
