//! The rules of a sheet as requirements on units.

use std::collections::BTreeMap;

use super::from_rules::Question;
use super::problem::{Need, PairGroup, Requirement};
use crate::item_kind::ItemKind;
use crate::rules::eligibility::{Reason, asks, fact, matches, same_word};
use crate::rules::words::{number, with_unit};
use crate::rules::{
    Candidate, Eligibility, Eligible, Evidence, Fact, Leaf, Op, Scope, Value, alternatives, attributes,
    eligibility, model,
};

/// Most kinds of cell of which every combination is offered to a rule on light.
const MOST_CELL_TYPES: usize = 5;

/// The requirements, and what they count on of each item.
pub(super) struct Compiler<'a> {
    question: &'a Question<'a>,
    pub requirements: Vec<Requirement>,
    /// Items that a rule counts on being kept to the finish.
    pub reserve: Vec<bool>,
    /// Items that a rule counts on lying dry.
    pub dry: Vec<bool>,
}

/// The attribute of an entry that lies dry.
pub(super) fn dry_entry() -> BTreeMap<String, Fact> {
    BTreeMap::from([("kept_dry".to_owned(), Fact::new(Value::Bool(true), Evidence::Declared))])
}

impl<'a> Compiler<'a> {
    pub fn compile(question: &'a Question<'a>) -> Self {
        let n = question.kit.len();
        let mut compiler =
            Self { question, requirements: Vec::new(), reserve: vec![false; n], dry: vec![false; n] };
        let sets: Vec<(&model::Rule, Vec<Vec<Leaf<'a>>>)> =
            question.sheet.rules.iter().map(|r| (r, alternatives(r, question.race))).collect();
        if question.pockets.is_some() {
            for leaf in sets.iter().flat_map(|s| &s.1).flatten() {
                compiler.find_dry(leaf);
            }
        }
        for (rule, alternatives) in sets {
            let mut near_misses = Vec::new();
            let mut options: Vec<Vec<Requirement>> = Vec::new();
            for set in &alternatives {
                options.push(set.iter().flat_map(|leaf| compiler.leaf(leaf, &mut near_misses)).collect());
            }
            match options.len() {
                0 => {}
                1 if options[0].len() == 1 => {
                    if let Some(mut only) = options.pop().and_then(|mut o| o.pop()) {
                        only.id = rule.id.clone();
                        compiler.requirements.push(only);
                    }
                }
                _ => compiler.requirements.push(Requirement::new(rule.id.clone(), Need::AnyOf(options))),
            }
        }
        compiler
    }

    fn candidate(&self, i: usize) -> &'a Candidate {
        &self.question.kit[i].candidate
    }

    /// Items that serve the rule only where they lie dry must lie dry.
    fn find_dry(&mut self, leaf: &Leaf<'_>) {
        let entry = dry_entry();
        for i in 0..self.dry.len() {
            let race = self.question.race;
            let plain = eligibility(leaf, self.candidate(i), None, race).eligible;
            if plain != Eligible::Yes
                && eligibility(leaf, self.candidate(i), Some(&entry), race).eligible == Eligible::Yes
            {
                self.dry[i] = true;
            }
        }
    }

    fn judge(&self, leaf: &Leaf<'_>, i: usize, ban: bool) -> Eligibility {
        let entry = self.dry[i].then(dry_entry);
        let judge = if ban { matches } else { eligibility };
        judge(leaf, self.candidate(i), entry.as_ref(), self.question.race)
    }

    fn served(&self, leaf: &Leaf<'_>) -> Vec<usize> {
        (0..self.dry.len()).filter(|&i| self.judge(leaf, i, false).eligible == Eligible::Yes).collect()
    }

    fn leaf(&mut self, leaf: &Leaf<'_>, near: &mut Vec<(usize, String)>) -> Vec<Requirement> {
        let id = leaf.rule.id.clone();
        let one = |need| vec![Requirement::new(id.clone(), need)];
        match &leaf.rule.need {
            model::Need::Count { count, kinds, .. } => {
                let need =
                    Need::Count { eligible: self.served(leaf), units: *count, shareable: leaf.shareable };
                let mut out = Requirement::new(id.clone(), need);
                out.near_misses = self.near_misses(leaf, kinds);
                near.extend(out.near_misses.clone());
                vec![out]
            }
            model::Need::Total { .. } => self.total(leaf),
            model::Need::Burn { margin } => one(self.burn(leaf, *margin)),
            model::Need::Forbid { .. } => {
                let hit = |&i: &usize| self.judge(leaf, i, true).eligible != Eligible::No;
                one(Need::Forbid((0..self.dry.len()).filter(hit).collect()))
            }
            model::Need::Pair { for_rule, same_attribute, .. } => {
                one(self.pair(leaf, for_rule, same_attribute))
            }
            model::Need::AnyOf { .. } => Vec::new(),
        }
    }

    fn near_misses(&self, leaf: &Leaf<'_>, kinds: &[ItemKind]) -> Vec<(usize, String)> {
        (0..self.dry.len())
            .filter(|&i| self.candidate(i).serves(kinds))
            .map(|i| (i, self.judge(leaf, i, false)))
            .filter(|(_, e)| e.eligible != Eligible::Yes)
            .map(|(i, e)| (i, why(&e)))
            .collect()
    }

    /// The number of an item as it counts: the worse end of its interval or the best value, in thousandths.
    fn amount(&self, i: usize, name: &str, take: Take) -> Option<i64> {
        let entry = self.dry[i].then(dry_entry);
        let fact = fact(name, self.candidate(i), entry.as_ref())?;
        let Value::Number(value) = fact.value else { return None };
        let (low, high) = fact.interval.unwrap_or((value, value));
        let counts = match take {
            Take::Low => low.min(value).max(0.0),
            Take::Value => value,
            Take::High => high.max(value),
        };
        let scaled = (counts * 1000.0).round();
        (scaled.is_finite() && value.is_finite() && !low.is_nan() && scaled.abs() < 1e15)
            .then_some(scaled as i64)
    }

    fn open_ended(&self, i: usize, name: &str) -> bool {
        self.amount(i, name, Take::High).is_none()
    }

    fn total(&mut self, leaf: &Leaf<'_>) -> Vec<Requirement> {
        let id = leaf.rule.id.clone();
        let model::Need::Total { measure, at_least, at_most, reserve, .. } = &leaf.rule.need else {
            return Vec::new();
        };
        let days = if leaf.rule.times_days { self.question.race.days } else { Some(1) };
        let (Some(attribute), Some(days)) = (attributes::find(measure), days) else {
            return vec![Requirement::new(id, never())];
        };
        let limit = |value: f64| (value * f64::from(days) * 1000.0).round() as i64;
        let safety = leaf.safety.unwrap_or(attribute.safety);
        let mut out = Vec::new();
        if let Some(least) = *at_least {
            let served = self.served(leaf);
            // A value without an upper end makes the whole sum one without, which only its lower end can then show.
            let take = if safety || served.iter().any(|&i| self.open_ended(i, measure)) {
                Take::Low
            } else {
                Take::Value
            };
            let amounts: Vec<(usize, i64)> =
                served.iter().filter_map(|&i| self.amount(i, measure, take).map(|a| (i, a.max(0)))).collect();
            if *reserve || (attribute.expendable && leaf.scope != Scope::Start) {
                for &(i, _) in &amounts {
                    self.reserve[i] = true;
                }
            }
            let need = Need::Total { amounts, at_least: Some(limit(least)), at_most: None };
            out.push(Requirement::new(id.clone(), need));
        }
        if let Some(most) = *at_most {
            let mut amounts = Vec::new();
            let mut doubtful = Vec::new();
            for i in 0..self.dry.len() {
                let take = if safety { Take::High } else { Take::Value };
                match self.judge(leaf, i, true).eligible {
                    Eligible::No => {}
                    Eligible::Yes if !self.open_ended(i, measure) => {
                        amounts.extend(self.amount(i, measure, take).map(|a| (i, a.max(0))));
                    }
                    _ => doubtful.push(i),
                }
            }
            let need = Need::Total { amounts, at_least: None, at_most: Some(limit(most)) };
            out.push(Requirement::new(id.clone(), need));
            if !doubtful.is_empty() {
                out.push(Requirement::new(id.clone(), Need::Forbid(doubtful)));
            }
        }
        if out.len() == 1 { out } else { vec![Requirement::new(id, Need::AnyOf(vec![out]))] }
    }

    /// Head lamps, and cells that fit a lamp taken: an option for each combination of kinds of cell, in which a lamp of
    /// each kind is demanded before its cells count.
    fn burn(&self, leaf: &Leaf<'_>, margin: f64) -> Need {
        let Some(dark) = self.question.race.dark_h else { return never() };
        let safety = leaf.safety.unwrap_or(true);
        let served = self.served(leaf);
        let open = served.iter().any(|&i| self.open_ended(i, "burn_h"));
        let take = if safety || open { Take::Low } else { Take::Value };
        let hours = if take == Take::Low { dark.high.max(dark.value) } else { dark.value };
        let least = (hours * 1000.0 * (1.0 + margin)).round() as i64;
        let is = |i: usize, kind| self.candidate(i).serves(&[kind]);
        let burn = |i: usize| self.amount(i, "burn_h", take).map(|a| (i, a.max(0)));
        let lamps: Vec<usize> = served.iter().copied().filter(|&i| is(i, ItemKind::HeadLamp)).collect();
        let cells: Vec<usize> = served.iter().copied().filter(|&i| !is(i, ItemKind::HeadLamp)).collect();
        let cell_type = |i: usize| match fact("cell_type", self.candidate(i), None).map(|f| &f.value) {
            Some(Value::Text(word)) => Some(word.as_str()),
            _ => None,
        };
        let mut types: Vec<&str> = Vec::new();
        for word in cells.iter().filter_map(|&i| cell_type(i)) {
            if !types.iter().any(|t| same_word(t, word)) {
                types.push(word);
            }
        }
        types.truncate(usize::BITS as usize / 2);
        let of = |list: &[usize], word: &str| -> Vec<usize> {
            list.iter().copied().filter(|&i| cell_type(i).is_some_and(|t| same_word(t, word))).collect()
        };
        let sets: Vec<u64> = if types.len() <= MOST_CELL_TYPES {
            (0..1u64 << types.len()).collect()
        } else {
            (0..types.len()).map(|t| 1 << t).chain([0]).collect()
        };
        let option = |set: u64| {
            let mut amounts: Vec<(usize, i64)> = lamps.iter().filter_map(|&i| burn(i)).collect();
            let mut needs = Vec::new();
            for word in (0..types.len()).filter(|t| set >> t & 1 == 1).map(|t| types[t]) {
                amounts.extend(of(&cells, word).into_iter().filter_map(burn));
                let need = Need::Count { eligible: of(&lamps, word), units: 1, shareable: true };
                needs.push(Requirement::new(format!("{}: a lamp for {word}", leaf.rule.id), need));
            }
            let need = Need::Total { amounts, at_least: Some(least), at_most: None };
            needs.push(Requirement::new(leaf.rule.id.clone(), need));
            needs
        };
        Need::AnyOf(sets.into_iter().map(option).collect())
    }

    fn pair(&self, leaf: &Leaf<'_>, for_rule: &str, attribute: &str) -> Need {
        let shared = |i: usize| fact(attribute, self.candidate(i), None).and_then(|f| key(&f.value));
        let wanted = self.question.sheet.rules.iter().find_map(|r| find(r, for_rule));
        let kinds = wanted.and_then(|r| asks(&r.need)).map_or(&[][..], |a| a.0);
        let serving: Vec<usize> = (0..self.dry.len()).filter(|&i| self.candidate(i).serves(kinds)).collect();
        // What could serve the rule itself is not counted on as a partner, since a unit is not both.
        let pool: Vec<usize> = self.served(leaf).into_iter().filter(|i| !serving.contains(i)).collect();
        let mut groups: Vec<(String, PairGroup)> = Vec::new();
        for i in serving {
            let Some(value) = shared(i) else { continue };
            match groups.iter_mut().find(|g| g.0 == value) {
                Some(g) => g.1.items.push(i),
                None => {
                    let partners =
                        pool.iter().copied().filter(|&j| shared(j).as_ref() == Some(&value)).collect();
                    groups.push((value, PairGroup { items: vec![i], partners }));
                }
            }
        }
        Need::Pair {
            of: for_rule.to_owned(),
            groups: groups.into_iter().map(|g| g.1).collect(),
            per_unit: true,
        }
    }
}

#[derive(Clone, Copy, PartialEq, Eq)]
enum Take {
    Low,
    Value,
    High,
}

/// What no set can meet.
fn never() -> Need {
    Need::Count { eligible: Vec::new(), units: 1, shareable: false }
}

fn find<'r>(rule: &'r model::Rule, id: &str) -> Option<&'r model::Rule> {
    if rule.id == id {
        return Some(rule);
    }
    match &rule.need {
        model::Need::AnyOf { options } => options.iter().flatten().find_map(|r| find(r, id)),
        _ => None,
    }
}

/// A value as it is compared: texts without case.
fn key(value: &Value) -> Option<String> {
    match value {
        Value::Number(n) if n.is_finite() => Some(format!("{n}")),
        Value::Number(_) => None,
        Value::Bool(b) => Some(b.to_string()),
        Value::Text(t) => Some(t.trim().to_lowercase()),
        Value::Date(d) => Some(d.to_string()),
        Value::Size(a, b) => Some(format!("{}x{}", a.min(*b), a.max(*b))),
    }
}

/// Why an item cannot serve, in a few words.
fn why(answer: &Eligibility) -> String {
    if let (Some(Reason::Fails { .. }), Some(shown)) = (answer.reason, answer.shown) {
        let sign = match shown.op {
            Op::AtLeast => "<",
            Op::AtMost => ">",
            Op::Equal => "is not",
            Op::NotEqual => "is",
            Op::In => "is none of those asked for:",
        };
        let unit = shown.attribute.unit;
        return format!("{} {sign} {}", with_unit(shown.value, unit), with_unit(shown.limit, unit));
    }
    match answer.reason {
        Some(Reason::Unfit(unfit)) => format!("it is {}", unfit.words()),
        Some(Reason::Fails { attribute, .. }) => format!("its {} is not what is asked for", attribute.name),
        Some(Reason::NotKnown { attribute }) => format!("its {} is not known", attribute.name),
        Some(Reason::Borderline { attribute, .. }) => {
            format!("its {} is too close to the limit to be sure", attribute.name)
        }
        Some(Reason::TooOld { age_d: Some(age), max_age_d, .. }) => {
            format!("its evidence is {} d old, {max_age_d} d are allowed", number(age as f64))
        }
        Some(Reason::TooOld { .. }) => "its evidence has no date".to_owned(),
        Some(Reason::TooWeak { evidence, wanted, .. }) => {
            format!("the evidence is {}, {} is wanted", evidence.name(), wanted.name())
        }
        Some(Reason::RaceDay { .. }) => "the race does not say the day".to_owned(),
        Some(Reason::Stale) => "what is known of it is too old".to_owned(),
        Some(Reason::Kind) | None => "it is something else".to_owned(),
    }
}
