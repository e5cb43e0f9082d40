//! The ways in which each rule can be met or shown, before anything is assigned.

use super::Level;
use super::board::Board;
use super::pairs::{self, Classes, Pool, Split};
use super::steady::{Steady, steady};
use crate::rules::eligibility::Eligible;
use crate::rules::model::Need;

/// Units that one need asks for.
#[derive(Debug, Clone)]
pub struct Row {
    /// The need, by place in the board's leaves.
    pub leaf: usize,
    /// Entries that may give them, sure ones first, then by item.
    pub list: Vec<u16>,
    /// How many.
    pub demand: u32,
    /// Whether the units may serve other rules too, so that they are not taken from anyone.
    pub shareable: bool,
}

/// One way for one rule.
#[derive(Debug, Clone)]
pub struct Choice {
    /// What the rule would be, pairs with other rules left aside.
    pub level: Level,
    /// Which alternative of the rule.
    pub alternative: usize,
    /// Units to be had.
    pub rows: Vec<Row>,
    /// Pairs in this alternative whose other need is a top-level rule, and that rule.
    pub pairs: Vec<(usize, usize)>,
    /// How the units of the need that such pairs name are shared out over its classes.
    pub split: Split,
}

/// All ways for all rules, with some items switched off.
pub struct Choices {
    /// For each rule its ways, best first. A rule without any cannot be met or shown, or does not apply.
    pub of_rule: Vec<Vec<Choice>>,
    /// The answers of the needs that use nothing up.
    pub steady: Vec<Option<Steady>>,
    /// Classes of the needs that pairs name.
    pub classes: Vec<Option<Classes>>,
    /// Pools of the pairs.
    pub pools: Vec<Option<Pool>>,
    /// Whether ways were left out because there were too many.
    pub cut: bool,
    /// Items that do not count because another excludes them.
    pub off: Vec<bool>,
}

/// The most ways of one rule.
const MAX_CHOICES: usize = 2048;

impl Choices {
    /// Lists the ways.
    pub fn new(board: &Board<'_>, off: Vec<bool>) -> Self {
        let leaves = 0..board.leaves.len();
        let steady = leaves.clone().map(|l| steady(board, l, &off)).collect();
        let has_pairs = board.leaves.iter().any(|l| l.pair_for.is_some());
        let classes =
            leaves.clone().map(|l| if has_pairs { pairs::classes(board, l) } else { None }).collect();
        let pool = |l: usize| board.leaves[l].pair_for.map(|_| pairs::pool(board, l, &off));
        let pools = leaves.map(pool).collect();
        let mut choices = Self { of_rule: Vec::new(), steady, classes, pools, cut: false, off };
        for rule in 0..board.rules.len() {
            let of_rule = choices.of(board, rule);
            choices.of_rule.push(of_rule);
        }
        choices
    }

    fn of(&mut self, board: &Board<'_>, rule: usize) -> Vec<Choice> {
        let mut all = Vec::new();
        for level in [Level::Met, Level::NotShown] {
            for (place, set) in board.alternatives[rule].iter().enumerate() {
                if self.best_steady(set) < level {
                    continue;
                }
                all.extend(self.alternative(board, rule, place, set, level));
                if all.len() > MAX_CHOICES {
                    all.truncate(MAX_CHOICES);
                    self.cut = true;
                }
            }
        }
        all
    }

    fn best_steady(&self, set: &[usize]) -> Level {
        set.iter().filter_map(|l| self.steady[*l].as_ref().map(|s| s.level)).min().unwrap_or(Level::Met)
    }

    /// The ways of one alternative at one level: one, or one for each split of a need that a pair names.
    fn alternative(
        &mut self,
        board: &Board<'_>,
        rule: usize,
        place: usize,
        set: &[usize],
        level: Level,
    ) -> Vec<Choice> {
        let empty =
            Choice { level, alternative: place, rows: Vec::new(), pairs: Vec::new(), split: Vec::new() };
        let mut ways = vec![empty];
        for leaf in set {
            let case = &board.leaves[*leaf];
            let Need::Count { count, .. } = case.leaf.rule.need else { continue };
            if level == Level::NotShown && board.mates_may_help(*leaf) && self.classes[*leaf].is_none() {
                continue;
            }
            let list = list(board, *leaf, &self.off, level);
            if board.units(&list) < u64::from(count) {
                return Vec::new();
            }
            let row = Row { leaf: *leaf, list, demand: count, shareable: case.leaf.shareable };
            let Some(classes) = &self.classes[*leaf] else {
                ways.iter_mut().for_each(|w| w.rows.push(row.clone()));
                continue;
            };
            let of_class = |class: usize| -> Vec<u16> {
                row.list
                    .iter()
                    .copied()
                    .filter(|o| usize::from(classes.class_of[usize::from(*o)]) == class)
                    .collect()
            };
            let lists: Vec<Vec<u16>> = (0..classes.classes.len()).map(of_class).collect();
            let available: Vec<u64> = lists.iter().map(|l| board.units(l)).collect();
            let (splits, cut) = pairs::splits(&available, count);
            self.cut |= cut;
            let with = |way: &Choice, split: &Split| {
                let mut way = way.clone();
                for (class, units) in split {
                    let list = lists[usize::from(*class)].clone();
                    way.rows.push(Row { list, demand: *units, ..row.clone() });
                }
                // Pairs of this alternative are judged here; pairs of other rules look at the split.
                way.split.clone_from(split);
                let beside = classes.pairs.iter().filter(|p| set.contains(p));
                let judge = |p: &usize| {
                    self.pools[*p]
                        .as_ref()
                        .map_or(Level::NotMet, |pool| pairs::status(classes, *p, pool, split))
                };
                let paired = beside.map(judge).min().unwrap_or(Level::Met);
                (paired >= level).then_some(way)
            };
            ways = ways.iter().flat_map(|w| splits.iter().filter_map(|s| with(w, s))).collect();
        }
        for leaf in set {
            let case = &board.leaves[*leaf];
            if !matches!(case.leaf.rule.need, Need::Pair { .. }) {
                continue;
            }
            match case.pair_for {
                Some(target) if set.contains(&target) => {}
                Some(target) if board.leaves[target].rule != rule => {
                    let other = board.leaves[target].rule;
                    ways.iter_mut().for_each(|w| w.pairs.push((*leaf, other)));
                }
                _ => return Vec::new(),
            }
        }
        ways
    }
}

/// The entries that can serve a need at a level, sure ones first.
pub fn list(board: &Board<'_>, leaf: usize, off: &[bool], level: Level) -> Vec<u16> {
    let of = |wanted: Eligible| {
        let answers = board.leaves[leaf].answers.iter();
        answers
            .filter(move |(o, e)| e.eligible == wanted && !off[board.offers[usize::from(*o)].candidate])
            .map(|(o, _)| *o)
    };
    let mut list: Vec<u16> = of(Eligible::Yes).collect();
    if level == Level::NotShown {
        list.extend(of(Eligible::Unknown));
    }
    list
}
