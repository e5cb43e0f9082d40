//! The assignment against brute force: every way of giving each unit to a need it fits, or to none, with every choice
//! between two items that exclude each other. What is compared is the whole list of verdicts, ties included.

use domain::ids::ItemId;
use domain::item_kind::ItemKind;
use domain::rules::{
    Candidate, Eligible, Evidence, Fact, Leaf, Need, Offer, Op, Race, Rule, RuleSheet, Test, TestValue,
    Value, Verdict, check, eligibility, validate,
};
use proptest::prelude::*;

use crate::rules_support::{item_id, number};

const KINDS: [ItemKind; 3] = [ItemKind::HeadLamp, ItemKind::RearLight, ItemKind::SpareCell];

pub fn rule(id: String, need: Need) -> Rule {
    Rule {
        id,
        title: String::new(),
        wording: String::new(),
        safety: None,
        when: "always".to_owned(),
        scope: None,
        shareable: false,
        max_age_d: None,
        evidence_wanted: None,
        per: None,
        times_days: false,
        need,
    }
}

#[derive(Debug, Clone)]
pub struct Item {
    kind: usize,
    also: Option<usize>,
    lumens: Option<bool>,
    cell: Option<u8>,
    quantity: u32,
    stock: u32,
    conflict: Option<usize>,
}

fn items() -> impl Strategy<Value = Vec<Item>> {
    let one = (
        0..3usize,
        proptest::option::weighted(0.3, 0..3usize),
        prop_oneof![3 => Just(Some(true)), 1 => Just(Some(false)), 2 => Just(None)],
        prop_oneof![2 => Just(Some(1u8)), 2 => Just(Some(2u8)), 1 => Just(None)],
        1..3u32,
        1..3u32,
        proptest::option::weighted(0.15, 0..5usize),
    )
        .prop_map(|(kind, also, lumens, cell, quantity, stock, conflict)| Item {
            kind,
            also,
            lumens,
            cell,
            quantity,
            stock,
            conflict,
        });
    proptest::collection::vec(one, 0..6)
}

pub fn candidates(items: &[Item]) -> (Vec<Candidate>, Vec<Offer>) {
    let mut candidates = Vec::new();
    let mut offers = Vec::new();
    for (place, item) in items.iter().enumerate() {
        let mut c = Candidate::new(item_id(place), format!("item {place}"), KINDS[item.kind]);
        c.also_serves = item.also.map(|k| KINDS[k]).into_iter().collect();
        c.stock = Some(item.stock);
        c.conflicts_with =
            item.conflict.filter(|o| *o != place && *o < items.len()).map(item_id).into_iter().collect();
        if let Some(bright) = item.lumens {
            c = c.with("lumens", Fact::number(if bright { 100.0 } else { 10.0 }, Evidence::Label));
        }
        if let Some(cell) = item.cell {
            c = c.with("cell_type", Fact::new(Value::Text(format!("X{cell}")), Evidence::Declared));
        }
        candidates.push(c);
        offers.push(Offer { quantity: item.quantity, ..Offer::new(place) });
    }
    (candidates, offers)
}

/// Kinds as bits, how many, whether bright ones are wanted, and shareable in one of six cases.
type CountSpec = (u8, u32, bool, u8);

fn count_spec() -> impl Strategy<Value = CountSpec> {
    (1..8u8, prop_oneof![3 => Just(1u32), 1 => Just(2u32)], any::<bool>(), 0..6u8)
}

fn count(id: String, (bits, count, bright, share): CountSpec) -> Rule {
    let kinds = KINDS.iter().enumerate().filter(|(at, _)| bits & (1 << at) != 0).map(|(_, k)| *k).collect();
    let test = Test { attribute: "lumens".to_owned(), op: Op::AtLeast, value: TestValue::Number(50.0) };
    let tests = if bright { vec![test] } else { Vec::new() };
    Rule { shareable: share == 0, ..rule(id, Need::Count { kinds, count, tests }) }
}

#[derive(Debug, Clone)]
pub enum Spec {
    Count(CountSpec),
    AnyOf(Vec<Vec<CountSpec>>),
    Total(u8, u32),
    Pair,
}

fn specs() -> impl Strategy<Value = Vec<Spec>> {
    let options = proptest::collection::vec(proptest::collection::vec(count_spec(), 1..3), 1..3);
    let one = prop_oneof![
        5 => count_spec().prop_map(Spec::Count),
        2 => options.prop_map(Spec::AnyOf),
        1 => (1..8u8, 1..4u32).prop_map(|(bits, hundreds)| Spec::Total(bits, hundreds)),
        1 => Just(Spec::Pair),
    ];
    proptest::collection::vec(one, 1..5)
}

pub fn sheet(specs: &[Spec]) -> RuleSheet {
    let mut rules = Vec::new();
    let counted = specs.iter().position(|s| matches!(s, Spec::Count(_)));
    for (place, spec) in specs.iter().enumerate() {
        let id = format!("r{place}");
        match spec {
            Spec::Count(spec) => rules.push(count(id, *spec)),
            Spec::AnyOf(options) => {
                let option = |(o, specs): (usize, &Vec<CountSpec>)| {
                    specs.iter().enumerate().map(|(i, spec)| count(format!("{id}-{o}-{i}"), *spec)).collect()
                };
                let options = options.iter().enumerate().map(option).collect();
                rules.push(rule(id.clone(), Need::AnyOf { options }));
            }
            Spec::Total(bits, hundreds) => {
                let kinds = KINDS.iter().enumerate().filter(|(at, _)| bits & (1 << at) != 0).map(|(_, k)| *k);
                let need = Need::Total {
                    kinds: kinds.collect(),
                    measure: "lumens".to_owned(),
                    at_least: Some(f64::from(*hundreds) * 100.0),
                    at_most: None,
                    tests: Vec::new(),
                    reserve: false,
                };
                rules.push(rule(id, need));
            }
            Spec::Pair => {
                let Some(target) = counted else { continue };
                let need = Need::Pair {
                    for_rule: format!("r{target}"),
                    kinds: vec![ItemKind::SpareCell],
                    same_attribute: "cell_type".to_owned(),
                };
                rules.push(rule(id, need));
            }
        }
    }
    RuleSheet { name: "race A".to_owned(), edition: String::new(), rules }
}

struct Brute<'a> {
    rules: &'a [Rule],
    candidates: &'a [Candidate],
    /// The item of each unit.
    units: Vec<usize>,
    /// Rule, option, need within the option.
    leaves: Vec<(usize, usize, &'a Rule)>,
    answers: Vec<Vec<Eligible>>,
    off: Vec<bool>,
    best: Option<(usize, usize, Vec<u8>)>,
}

impl<'a> Brute<'a> {
    fn solve(rules: &'a [Rule], candidates: &'a [Candidate], offers: &[Offer], race: &Race) -> Vec<u8> {
        let mut leaves = Vec::new();
        for (place, rule) in rules.iter().enumerate() {
            match &rule.need {
                Need::AnyOf { options } => {
                    for (o, option) in options.iter().enumerate() {
                        leaves.extend(option.iter().map(|r| (place, o, r)));
                    }
                }
                _ => leaves.push((place, 0, rule)),
            }
        }
        let answer = |(_, _, rule): &(usize, usize, &Rule)| {
            candidates
                .iter()
                .map(|c| eligibility(&Leaf::of(rule), c, None, race).eligible)
                .collect::<Vec<_>>()
        };
        let answers = leaves.iter().map(answer).collect();
        let units: Vec<usize> = offers
            .iter()
            .flat_map(|o| vec![o.candidate; o.quantity.min(candidates[o.candidate].stock.unwrap()) as usize])
            .collect();
        let mut clashes = Vec::new();
        for (a, one) in candidates.iter().enumerate() {
            for id in &one.conflicts_with {
                let b = candidates.iter().position(|c: &Candidate| c.item_id == *id).unwrap();
                clashes.push((a, b));
            }
        }
        let mut brute = Brute {
            rules,
            candidates,
            units,
            leaves,
            answers,
            off: vec![false; candidates.len()],
            best: None,
        };
        for choice in 0..1u32 << clashes.len() {
            brute.off = vec![false; candidates.len()];
            for (at, (a, b)) in clashes.iter().enumerate() {
                brute.off[if choice >> at & 1 == 0 { *a } else { *b }] = true;
            }
            let mut given = vec![usize::MAX; brute.units.len()];
            brute.give(0, &mut given);
        }
        brute.best.unwrap().2
    }

    fn give(&mut self, unit: usize, given: &mut Vec<usize>) {
        if unit == self.units.len() {
            let levels: Vec<u8> = (0..self.rules.len()).map(|r| self.level(r, given)).collect();
            let of = |level: u8| levels.iter().filter(|l| **l == level).count();
            let key = (of(2), of(1), levels.clone());
            if self.best.as_ref().is_none_or(|b| key > *b) {
                self.best = Some(key);
            }
            return;
        }
        given[unit] = usize::MAX;
        self.give(unit + 1, given);
        let item = self.units[unit];
        if self.off[item] {
            return;
        }
        for leaf in 0..self.leaves.len() {
            let rule = self.leaves[leaf].2;
            let counts = matches!(rule.need, Need::Count { .. }) && !rule.shareable;
            if counts && self.answers[leaf][item] != Eligible::No {
                given[unit] = leaf;
                self.give(unit + 1, given);
            }
        }
        given[unit] = usize::MAX;
    }

    fn level(&self, rule: usize, given: &[usize]) -> u8 {
        let last = self.leaves.iter().filter(|l| l.0 == rule).map(|l| l.1).max().unwrap();
        let option = |o: usize| {
            let inside =
                (0..self.leaves.len()).filter(|l| self.leaves[*l].0 == rule && self.leaves[*l].1 == o);
            inside.map(|l| self.leaf(l, given)).min().unwrap()
        };
        (0..=last).map(option).max().unwrap()
    }

    fn serving(&self, leaf: usize, given: &[usize]) -> Vec<usize> {
        (0..given.len()).filter(|u| given[*u] == leaf).map(|u| self.units[u]).collect()
    }

    fn leaf(&self, leaf: usize, given: &[usize]) -> u8 {
        let rule = self.leaves[leaf].2;
        match &rule.need {
            Need::Count { count, .. } => {
                let serving = if rule.shareable {
                    self.units.iter().copied().filter(|i| !self.off[*i]).collect()
                } else {
                    self.serving(leaf, given)
                };
                let of =
                    |least: Eligible| serving.iter().filter(|i| self.answers[leaf][**i] >= least).count();
                let wanted = *count as usize;
                // Exactly as many as asked, so that a pair sees the units that serve and no others.
                if rule.shareable {
                    if of(Eligible::Yes) >= wanted { 2 } else { u8::from(of(Eligible::Unknown) >= wanted) }
                } else if serving.len() != wanted {
                    0
                } else if of(Eligible::Yes) == wanted {
                    2
                } else {
                    1
                }
            }
            Need::Total { at_least, .. } => {
                let (mut sum, mut unknown) = (0.0, false);
                for item in
                    self.units.iter().filter(|i| !self.off[**i] && self.answers[leaf][**i] == Eligible::Yes)
                {
                    match number(self.candidates[*item].attributes.get("lumens")) {
                        Some(lumens) => sum += lumens,
                        None => unknown = true,
                    }
                }
                if sum >= at_least.unwrap() { 2 } else { u8::from(unknown) }
            }
            Need::Pair { for_rule, .. } => {
                let target = self.leaves.iter().position(|l| l.2.id == *for_rule).unwrap();
                self.paired(leaf, &self.leaf_units(target, given), self.leaf(target, given))
            }
            _ => unreachable!(),
        }
    }

    fn leaf_units(&self, leaf: usize, given: &[usize]) -> Vec<Vec<usize>> {
        let rule = self.leaves[leaf].2;
        if !rule.shareable {
            return vec![self.serving(leaf, given)];
        }
        // A shareable rule takes any set of the right size.
        let Need::Count { count, .. } = rule.need else { unreachable!() };
        let fit: Vec<usize> = (0..self.units.len())
            .filter(|u| !self.off[self.units[*u]] && self.answers[leaf][self.units[*u]] != Eligible::No)
            .collect();
        let sets = (0..1u32 << fit.len()).filter(|bits| bits.count_ones() == count);
        sets.map(|bits| (0..fit.len()).filter(|i| bits >> i & 1 == 1).map(|i| self.units[fit[i]]).collect())
            .collect()
    }

    fn paired(&self, leaf: usize, sets: &[Vec<usize>], target: u8) -> u8 {
        if target == 0 {
            return 0;
        }
        let value = |item: usize| self.candidates[item].attributes.get("cell_type").map(|f| f.value.clone());
        let best = |set: &Vec<usize>| {
            // Partners: units of the pool beyond those that serve the rule itself.
            let mut pool: Vec<usize> = self
                .units
                .iter()
                .copied()
                .filter(|i| !self.off[*i] && self.answers[leaf][*i] == Eligible::Yes)
                .collect();
            for item in set {
                if let Some(at) = pool.iter().position(|p| p == item) {
                    pool.remove(at);
                }
            }
            let sure = set.iter().all(|item| value(*item).is_some()) && {
                let mut left = pool.clone();
                set.iter().all(|item| {
                    let at = left.iter().position(|p| value(*p) == value(*item));
                    at.is_some_and(|at| {
                        left.remove(at);
                        true
                    })
                })
            };
            if sure { 2 } else { u8::from(self.could_pair(set, &mut pool)) }
        };
        sets.iter().map(best).max().unwrap_or(0)
    }

    /// Whether every unit could have a partner if what is not known were as wished.
    fn could_pair(&self, set: &[usize], pool: &mut Vec<usize>) -> bool {
        let value = |item: usize| self.candidates[item].attributes.get("cell_type").map(|f| f.value.clone());
        let Some((first, rest)) = set.split_first() else { return true };
        for at in 0..pool.len() {
            let (mine, its) = (value(*first), value(pool[at]));
            if mine.is_none() || its.is_none() || mine == its {
                let taken = pool.remove(at);
                let fine = self.could_pair(rest, pool);
                pool.insert(at, taken);
                if fine {
                    return true;
                }
            }
        }
        false
    }
}

fn levels(sheet: &RuleSheet, candidates: &[Candidate], offers: &[Offer], race: &Race) -> Vec<u8> {
    let level = |v: Verdict| match v {
        Verdict::Met => 2,
        Verdict::NotShown => 1,
        Verdict::NotMet => 0,
        Verdict::NotApplicable => panic!("every rule applies"),
    };
    check(sheet, candidates, offers, race).verdicts.iter().map(|v| level(v.verdict)).collect()
}

fn used(
    sheet: &RuleSheet,
    candidates: &[Candidate],
    offers: &[Offer],
    race: &Race,
) -> Vec<Vec<(ItemId, u32)>> {
    let list = check(sheet, candidates, offers, race).verdicts;
    list.iter().map(|v| v.used.iter().map(|u| (u.item_id, u.quantity)).collect()).collect()
}

/// Whether a pair names a shareable rule: then the oracle would have to fix which of the units that serve it the
/// pair looks at, so such sheets are left to the pattern tests.
fn pair_of_shareable(sheet: &RuleSheet) -> bool {
    let named = |r: &Rule| match &r.need {
        Need::Pair { for_rule, .. } => sheet.rules.iter().any(|t| t.id == *for_rule && t.shareable),
        _ => false,
    };
    sheet.rules.iter().any(named)
}

fn race() -> Race {
    Race::unknown("2026-08-18".parse().unwrap())
}

proptest! {
    #![proptest_config(ProptestConfig { cases: 1500, ..ProptestConfig::default() })]

    #[test]
    fn check_small_loadouts_equal_brute_force(items in items(), specs in specs()) {
        let sheet = sheet(&specs);
        prop_assume!(validate(&sheet).is_ok() && !pair_of_shareable(&sheet));
        let (candidates, offers) = candidates(&items);
        let race = race();
        let want = Brute::solve(&sheet.rules, &candidates, &offers, &race);
        prop_assert_eq!(levels(&sheet, &candidates, &offers, &race), want);
    }

    #[test]
    fn check_shuffled_input_same_answer(items in items(), specs in specs(), seed in any::<u64>()) {
        let sheet = sheet(&specs);
        let (candidates, mut offers) = candidates(&items);
        // Some entries in two halves, so that the entries of one item are shuffled too.
        let split: Vec<Offer> = offers.iter().filter(|o| o.quantity == 2).cloned().collect();
        for mut half in split {
            offers.iter_mut().filter(|o| o.candidate == half.candidate).for_each(|o| o.quantity = 1);
            half.quantity = 1;
            half.reserve = true;
            offers.push(half);
        }
        let (order, places) = (shuffle(candidates.len(), seed), shuffle(offers.len(), seed ^ 0x9e37_79b9));
        let moved: Vec<Candidate> = order.iter().map(|at| candidates[*at].clone()).collect();
        let moved_offers: Vec<Offer> = places
            .iter()
            .map(|at| {
                let offer = offers[*at].clone();
                let candidate = order.iter().position(|o| *o == offer.candidate).unwrap();
                Offer { candidate, ..offer }
            })
            .collect();
        let race = race();
        let (a, b) = (check(&sheet, &candidates, &offers, &race), check(&sheet, &moved, &moved_offers, &race));
        prop_assert_eq!(a, b);
    }

    #[test]
    fn check_used_units_exist_and_serve_one_rule(items in items(), specs in specs()) {
        let sheet = sheet(&specs);
        prop_assume!(validate(&sheet).is_ok());
        let (candidates, offers) = candidates(&items);
        let all = used(&sheet, &candidates, &offers, &race());
        for (place, candidate) in candidates.iter().enumerate() {
            let own: u32 = sheet.rules.iter().zip(&all).filter(|(r, _)| takes(r)).flat_map(|(_, u)| u)
                .filter(|(id, _)| *id == candidate.item_id).map(|(_, q)| q).sum();
            let there = offers[place].quantity.min(candidate.stock.unwrap());
            prop_assert!(own <= there, "{} of {} units of item {}", own, there, place);
        }
    }

    #[test]
    fn check_an_entry_more_never_meets_fewer_rules(items in items(), specs in specs()) {
        let sheet = sheet(&specs);
        prop_assume!(validate(&sheet).is_ok());
        let (candidates, offers) = candidates(&items);
        let race = race();
        let (with, without) = (
            levels(&sheet, &candidates, &offers, &race),
            levels(&sheet, &candidates, &offers[..offers.len().saturating_sub(1)], &race),
        );
        let met = |l: &[u8]| l.iter().filter(|l| **l == 2).count();
        let open = |l: &[u8]| l.iter().filter(|l| **l > 0).count();
        prop_assert!(met(&with) >= met(&without), "{:?} {:?}", with, without);
        prop_assert!(met(&with) > met(&without) || open(&with) >= open(&without), "{:?} {:?}", with, without);
        // Where every rule wants one unit of what is known, each rule keeps what it had.
        let single = |s: &Spec| matches!(s, Spec::Count((_, 1, false, _)));
        if specs.iter().all(single) && candidates.iter().all(|c| c.conflicts_with.is_empty()) {
            prop_assert!(with.iter().zip(&without).all(|(a, b)| a >= b), "{:?} {:?}", with, without);
        }
    }

    #[test]
    fn check_a_rule_less_never_worsens_the_others(items in items(), specs in specs(), drop in 0..4usize) {
        let all = sheet(&specs);
        prop_assume!(validate(&all).is_ok() && !all.rules.is_empty());
        let drop = drop % all.rules.len();
        let mut fewer = all.clone();
        fewer.rules.remove(drop);
        prop_assume!(validate(&fewer).is_ok());
        let (candidates, offers) = candidates(&items);
        let race = race();
        let mut before = levels(&all, &candidates, &offers, &race);
        before.remove(drop);
        let after = levels(&fewer, &candidates, &offers, &race);
        let met = |l: &[u8]| l.iter().filter(|l| **l == 2).count();
        prop_assert!(met(&after) >= met(&before), "{:?} {:?}", before, after);
        let single = |s: &Spec| matches!(s, Spec::Count((_, 1, false, _)));
        if specs.iter().all(single) && candidates.iter().all(|c| c.conflicts_with.is_empty()) {
            prop_assert!(after.iter().zip(&before).all(|(a, b)| a >= b), "{:?} {:?}", before, after);
        }
    }
}

fn takes(rule: &Rule) -> bool {
    match &rule.need {
        Need::Count { .. } => !rule.shareable,
        // A rule with a shareable need inside also lists units that it does not take.
        Need::AnyOf { options } => options.iter().flatten().all(|r| !r.shareable),
        _ => false,
    }
}

/// A permutation from a seed: a linear congruential generator (Knuth's MMIX constants) drives Fisher and Yates.
fn shuffle(size: usize, mut seed: u64) -> Vec<usize> {
    let mut order: Vec<usize> = (0..size).collect();
    for at in (1..size).rev() {
        seed = seed.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
        order.swap(at, (seed >> 33) as usize % (at + 1));
    }
    order
}
