//! Why each thing is in the set, in words.

use super::limits::Limits;
use super::model::Model;
use super::problem::{Need, Problem, Requirement};
use super::search::Search;
use super::solve::Answer;

/// Why an item is in the set.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Reason {
    /// The item's index.
    pub item: usize,
    /// The rule that it is for; absent for a lock.
    pub rule_id: Option<String>,
    /// In words ("demanded by \"shell\"; the lighter \"A\" (26 g less) fails: 8,000 mm < 10,000 mm").
    pub text: String,
}

/// Nodes of one trial.
const TRIAL_NODES: u64 = 200;

/// For each item of the answer: what it is for, and for each rule that it serves what became of the nearest lighter
/// item: it fails a test, or with it in place some other rule or the fit would fail.
#[must_use]
pub fn reasons(problem: &Problem, answer: &Answer) -> Vec<Reason> {
    let mut units = vec![0i64; problem.items.len()];
    for c in &answer.chosen {
        units[c.item] += i64::from(c.units);
    }
    let mut explain = Explainer { problem, units: &units, models: Vec::new() };
    let mut out = Vec::new();
    for item in (0..units.len()).filter(|&i| units[i] > 0) {
        let before = out.len();
        let locked: u32 = problem.locks.iter().filter(|l| l.item == item).map(|l| l.units).sum();
        if locked > 0 {
            let text =
                if i64::from(locked) < units[item] { format!("{locked} locked") } else { "locked".into() };
            out.push(Reason { item, rule_id: None, text });
        }
        for service in answer.services.iter().filter(|s| s.item == item) {
            let rule = &problem.requirements[service.requirement];
            let mut text = format!("demanded by {:?}", rule.id);
            if let Some(found) = find(std::slice::from_ref(rule), &service.rule_id)
                && i64::from(locked) < units[item]
                && let Some(why) = explain.lighter(item, found)
            {
                text = format!("{text}; {why}");
            }
            out.push(Reason { item, rule_id: Some(rule.id.clone()), text });
        }
        for rule in problem.requirements.iter().filter(|r| adds_to(r, item)) {
            out.push(Reason {
                item,
                rule_id: Some(rule.id.clone()),
                text: format!("adds to what {:?} demands", rule.id),
            });
        }
        if out.len() == before {
            out.push(companion(problem, &units, item));
        }
    }
    out
}

/// Something taken for the sake of another thing.
fn companion(problem: &Problem, units: &[i64], item: usize) -> Reason {
    for rule in &problem.requirements {
        if is_partner(rule, item) {
            let text = format!("the partner that {:?} demands", rule.id);
            return Reason { item, rule_id: Some(rule.id.clone()), text };
        }
    }
    for (other, partners) in &problem.requires {
        if units[*other] > 0 && partners.contains(&item) {
            let text = format!("needed beside {:?}", problem.items[*other].id);
            return Reason { item, rule_id: None, text };
        }
    }
    let text = if problem.items[item].container.is_some() {
        "keeps dry what must be dry".to_owned()
    } else {
        "no lighter set without it was found".to_owned()
    };
    Reason { item, rule_id: None, text }
}

fn is_partner(rule: &Requirement, item: usize) -> bool {
    match &rule.need {
        Need::Pair { groups, .. } => groups.iter().any(|g| g.partners.contains(&item)),
        Need::AnyOf(options) => options.iter().flatten().any(|r| is_partner(r, item)),
        _ => false,
    }
}

fn adds_to(rule: &Requirement, item: usize) -> bool {
    match &rule.need {
        Need::Total { amounts, at_least: Some(least), .. } => {
            *least > 0 && amounts.iter().any(|&(i, a)| i == item && a > 0)
        }
        Need::AnyOf(options) => options.iter().flatten().any(|r| adds_to(r, item)),
        _ => false,
    }
}

fn find<'p>(rules: &'p [Requirement], id: &str) -> Option<&'p Requirement> {
    for rule in rules {
        if rule.id == id && matches!(rule.need, Need::Count { .. }) {
            return Some(rule);
        }
        if let Need::AnyOf(options) = &rule.need
            && let Some(found) = options.iter().find_map(|option| find(option, id))
        {
            return Some(found);
        }
    }
    None
}

struct Explainer<'p> {
    problem: &'p Problem,
    units: &'p [i64],
    /// The model of each rule by itself, then of all, then of all with the fit; made when first needed.
    models: Vec<(String, Model)>,
}

impl Explainer<'_> {
    /// What became of the nearest lighter item that might have served the rule instead of `item`.
    fn lighter(&mut self, item: usize, rule: &Requirement) -> Option<String> {
        let mass = self.problem.items[item].mass_mg;
        let Need::Count { eligible, .. } = &rule.need else { return None };
        let words = |other: usize| {
            let less = (mass - self.problem.items[other].mass_mg) as f64 / 1000.0;
            format!("the lighter {:?} ({less} g less)", self.problem.items[other].id)
        };
        let failing = rule
            .near_misses
            .iter()
            .filter(|(i, _)| self.problem.items[*i].mass_mg < mass)
            .max_by_key(|(i, _)| (self.problem.items[*i].mass_mg, std::cmp::Reverse(*i)));
        let eligible = eligible
            .iter()
            .copied()
            .filter(|&i| self.problem.items[i].mass_mg < mass && self.units[i] < self.most(i))
            .max_by_key(|&i| (self.problem.items[i].mass_mg, std::cmp::Reverse(i)));
        let mut parts = Vec::new();
        if let Some((other, why)) = failing {
            parts.push(format!("{} fails: {why}", words(*other)));
        }
        if let Some(other) = eligible {
            let cause = self.with_instead(item, other)?;
            parts.push(format!("with {} instead, {cause}", words(other)));
        }
        (!parts.is_empty()).then(|| parts.join("; "))
    }

    fn most(&self, item: usize) -> i64 {
        if self.problem.excluded.contains(&item) { 0 } else { i64::from(self.problem.items[item].units) }
    }

    /// What fails when a unit of `other` is taken in place of one of `item`.
    fn with_instead(&mut self, item: usize, other: usize) -> Option<String> {
        let mut units = self.units.to_vec();
        units[item] -= 1;
        units[other] += 1;
        let clash = self.problem.conflicts.iter().find_map(|&(a, b)| match (a == other, b == other) {
            (true, _) if units[b] > 0 => Some(b),
            (_, true) if units[a] > 0 => Some(a),
            _ => None,
        });
        if let Some(clash) = clash {
            return Some(format!("{:?} excludes it", self.problem.items[clash].id));
        }
        if self.models.is_empty() {
            self.build();
        }
        let broken = self.models.iter().find(|(_, model)| !holds(model, &units))?;
        Some(broken.0.clone())
    }

    fn build(&mut self) {
        let count = self.problem.requirements.len();
        for k in 0..count {
            let active: Vec<bool> = (0..count).map(|r| r == k).collect();
            let text = format!("{:?} is not met", self.problem.requirements[k].id);
            self.models.push((text, Model::build_plain(self.problem, &active, false)));
        }
        let all = vec![true; count];
        let shared = "no unit is left for every rule, since a unit serves one".to_owned();
        self.models.push((shared, Model::build_plain(self.problem, &all, false)));
        self.models.push(("the pockets do not hold it".into(), Model::build_plain(self.problem, &all, true)));
    }
}

/// Whether the model holds with exactly these units.
fn holds(model: &Model, units: &[i64]) -> bool {
    let within = (0..model.items).all(|i| model.lo[i] <= units[i]);
    let (mut lo, mut hi) = (model.lo.clone(), model.hi.clone());
    lo[..model.items].copy_from_slice(units);
    hi[..model.items].copy_from_slice(units);
    let mut limits = Limits::nodes(TRIAL_NODES);
    within && Search::new(model).run(&lo, &hi, i64::MAX, true, &mut limits).best.is_some()
}
