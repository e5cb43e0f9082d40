//! The assignment that meets most rules, then shows most, then favours earlier rules.
//!
//! Branch and bound over the ways of each rule, with a flow for the units. The bound asks each rule that is still
//! open for one unit of any entry that any of its ways could use: such needs form a transversal matroid (Edmonds and
//! Fulkerson 1965), so that adding them one by one finds the greatest number that can be had together, which no
//! real choice exceeds. Rules that share no item are searched apart.

use super::Level;
use super::board::Board;
use super::choices::{Choice, Choices};
use super::flow::Flow;
use super::pairs;

/// Steps after which a check stops looking for better; what it has found stands, but is not proven best.
pub const MAX_STEPS: u32 = 6000;

/// What was chosen for each rule, and its level.
#[derive(Debug, Clone)]
pub struct Chosen {
    /// For each rule its way in [`Choices::of_rule`]; none where it is not met or does not apply.
    pub way: Vec<Option<usize>>,
    /// For each rule its level.
    pub level: Vec<Level>,
    /// Whether nothing better exists.
    pub proven: bool,
}

impl Chosen {
    /// What is maximised: rules met, rules shown open, then the levels in the order of the sheet.
    pub fn key(&self) -> (usize, usize, &[Level]) {
        let of = |level| self.level.iter().filter(|l| **l == level).count();
        (of(Level::Met), of(Level::NotShown), &self.level)
    }
}

/// Finds the best choice, within the steps that are left of the check's budget; beyond it, a choice.
pub fn search(board: &Board<'_>, choices: &Choices, budget: &mut u32) -> Chosen {
    let rules = board.rules.len();
    let mut chosen =
        Chosen { way: vec![None; rules], level: vec![Level::NotMet; rules], proven: !choices.cut };
    for group in groups(board, choices) {
        let bounds = Bounds::new(choices, &group);
        let mut branch = Branch::new(board, choices, &bounds, group, *budget);
        branch.run();
        *budget = branch.budget;
        chosen.proven &= !branch.cut;
        for (place, rule) in branch.order.iter().enumerate() {
            chosen.way[*rule] = branch.best_way[place];
            chosen.level[*rule] = branch.best_level[place];
        }
    }
    chosen
}

/// Rules that could want the same item, or that a pair links, in the order of the sheet; a rule whose pair
/// names a later rule comes after that.
fn groups(board: &Board<'_>, choices: &Choices) -> Vec<Vec<usize>> {
    let rules = board.rules.len();
    let mut parent: Vec<usize> = (0..rules + board.candidates.len()).collect();
    fn root(parent: &mut [usize], mut at: usize) -> usize {
        while parent[at] != at {
            parent[at] = parent[parent[at]];
            at = parent[at];
        }
        at
    }
    let mut late = vec![false; rules];
    for (rule, ways) in choices.of_rule.iter().enumerate() {
        for way in ways {
            for row in way.rows.iter().filter(|r| !r.shareable) {
                for offer in &row.list {
                    let item = rules + usize::from(board.capacity.item_of[usize::from(*offer)]);
                    let (a, b) = (root(&mut parent, rule), root(&mut parent, item));
                    parent[a.max(b)] = a.min(b);
                }
            }
            for (_, other) in &way.pairs {
                late[rule] |= *other > rule;
                let (a, b) = (root(&mut parent, rule), root(&mut parent, *other));
                parent[a.max(b)] = a.min(b);
            }
        }
    }
    let mut of_root: Vec<Vec<usize>> = vec![Vec::new(); parent.len()];
    for wanted in [false, true] {
        for rule in (0..rules).filter(|r| late[*r] == wanted && !choices.of_rule[*r].is_empty()) {
            let at = root(&mut parent, rule);
            of_root[at].push(rule);
        }
    }
    of_root.retain(|group| !group.is_empty());
    of_root
}

/// What each rule of a group can reach by itself.
struct Bounds {
    /// The best level of any of its ways.
    ideal: Vec<Level>,
    /// Every entry that a way of at least that level could use; empty stands for a way that uses none.
    union_met: Vec<Vec<u16>>,
    union_shown: Vec<Vec<u16>>,
}

impl Bounds {
    fn new(choices: &Choices, order: &[usize]) -> Self {
        let ways = |rule: &usize| &choices.of_rule[*rule];
        let best = |rule: &usize| ways(rule).first().map_or(Level::NotMet, |w| w.level);
        Self {
            ideal: order.iter().map(best).collect(),
            union_met: order.iter().map(|r| union(ways(r), Level::Met)).collect(),
            union_shown: order.iter().map(|r| union(ways(r), Level::NotShown)).collect(),
        }
    }
}

struct Branch<'b, 'a> {
    board: &'b Board<'a>,
    choices: &'b Choices,
    bounds: &'b Bounds,
    order: Vec<usize>,
    way: Vec<Option<usize>>,
    level: Vec<Level>,
    best_way: Vec<Option<usize>>,
    best_level: Vec<Level>,
    has_best: bool,
    done: bool,
    budget: u32,
    cut: bool,
    /// Whether the order of the search is that of the sheet.
    in_order: bool,
}

fn union(ways: &[Choice], level: Level) -> Vec<u16> {
    let mut all = Vec::new();
    for way in ways.iter().filter(|w| w.level >= level) {
        let rows = way.rows.iter().filter(|r| !r.shareable);
        let before = all.len();
        all.extend(rows.flat_map(|r| r.list.iter().copied()));
        if all.len() == before {
            return Vec::new();
        }
    }
    all.sort_unstable();
    all.dedup();
    all
}

impl<'b, 'a> Branch<'b, 'a> {
    fn new(
        board: &'b Board<'a>,
        choices: &'b Choices,
        bounds: &'b Bounds,
        order: Vec<usize>,
        budget: u32,
    ) -> Self {
        let size = order.len();
        Self {
            board,
            choices,
            bounds,
            way: vec![None; size],
            level: vec![Level::NotMet; size],
            best_way: vec![None; size],
            best_level: vec![Level::NotMet; size],
            has_best: false,
            done: false,
            budget,
            cut: false,
            in_order: order.is_sorted(),
            order,
        }
    }

    fn run(&mut self) {
        let mut flow = Flow::new(&self.board.capacity);
        self.step(0, &mut flow, self.choices);
    }

    fn step(&mut self, depth: usize, flow: &mut Flow<'b>, choices: &'b Choices) {
        self.budget = self.budget.saturating_sub(1);
        if depth == self.order.len() {
            self.keep();
            return;
        }
        if self.has_best && !self.may_improve(depth, flow) {
            return;
        }
        let rule = self.order[depth];
        for (place, way) in choices.of_rule[rule].iter().enumerate() {
            let level = way.level.min(self.paired(way));
            if level == Level::NotMet {
                continue;
            }
            let rows = flow.rows();
            if way.rows.iter().filter(|r| !r.shareable).all(|r| flow.push(&r.list, r.demand)) {
                (self.way[depth], self.level[depth]) = (Some(place), level);
                self.step(depth + 1, flow, choices);
            }
            flow.pop_to(rows);
            if self.stops() {
                return;
            }
        }
        (self.way[depth], self.level[depth]) = (None, Level::NotMet);
        self.step(depth + 1, flow, choices);
    }

    /// Whether to go back up: nothing better exists, or the budget is spent and there is an answer.
    fn stops(&mut self) -> bool {
        let spent = self.has_best && self.budget == 0 && !self.done;
        self.cut |= spent;
        self.done || spent
    }

    /// The worst of the way's pairs with other rules, as these are chosen now.
    fn paired(&self, way: &Choice) -> Level {
        let judge = |(pair, other): &(usize, usize)| {
            let place = self.order.iter().position(|r| r == other);
            let chosen = place.and_then(|p| self.way[p]).map(|w| &self.choices.of_rule[*other][w]);
            let target = self.board.leaves[*pair].pair_for;
            let classes = target.and_then(|t| self.choices.classes[t].as_ref());
            match (chosen, classes, &self.choices.pools[*pair]) {
                (Some(chosen), Some(classes), Some(pool)) => {
                    pairs::status(classes, *pair, pool, &chosen.split)
                }
                _ => Level::NotMet,
            }
        };
        way.pairs.iter().map(judge).min().unwrap_or(Level::Met)
    }

    fn keep(&mut self) {
        let better = !self.has_best || self.better();
        if better {
            self.best_way.clone_from(&self.way);
            self.best_level.clone_from(&self.level);
            self.has_best = true;
            self.done = self.level == self.bounds.ideal;
        }
    }

    fn better(&self) -> bool {
        let (now, best) = (score(&self.level), score(&self.best_level));
        if (now.0, now.1) != (best.0, best.1) || self.in_order {
            return now > best;
        }
        let sheet = |levels: &[Level]| {
            let mut by_rule: Vec<(usize, Level)> =
                self.order.iter().copied().zip(levels.iter().copied()).collect();
            by_rule.sort_unstable();
            by_rule
        };
        sheet(now.2) > sheet(best.2)
    }

    fn may_improve(&self, depth: usize, flow: &mut Flow<'b>) -> bool {
        let (met, shown, best) = score(&self.best_level);
        let so_far = &self.level[..depth];
        let met_so_far = so_far.iter().filter(|l| **l == Level::Met).count();
        let open_so_far = so_far.iter().filter(|l| **l != Level::NotMet).count();
        // Cheap first: every rule that is left at its ideal.
        let ideal = &self.bounds.ideal[depth..];
        let met_bound = met_so_far + ideal.iter().filter(|l| **l == Level::Met).count();
        if met_bound < met {
            return false;
        }
        let met_bound = met_so_far + self.most(depth, flow, Level::Met);
        if met_bound != met {
            return met_bound > met;
        }
        let open_bound = open_so_far + self.most(depth, flow, Level::NotShown);
        if open_bound != met + shown {
            return open_bound > met + shown;
        }
        // As many as the best: only a better order of levels is an improvement.
        !self.in_order || so_far.iter().chain(ideal).gt(best)
    }

    /// How many of the rules from `depth` on could be of at least that level together, each with one unit.
    fn most(&self, depth: usize, flow: &mut Flow<'b>, level: Level) -> usize {
        let bounds = self.bounds;
        let unions = if level == Level::Met { &bounds.union_met } else { &bounds.union_shown };
        let rows = flow.rows();
        let mut count = 0;
        for (union, ideal) in unions.iter().zip(&bounds.ideal).skip(depth) {
            if *ideal >= level && (union.is_empty() || flow.push(union, 1)) {
                count += 1;
            }
        }
        flow.pop_to(rows);
        count
    }
}

fn score(levels: &[Level]) -> (usize, usize, &[Level]) {
    let of = |level| levels.iter().filter(|l| **l == level).count();
    (of(Level::Met), of(Level::NotShown), levels)
}
