//! The loadout laid out for the rules: which entries count for which simple need, and why the others do not.

use std::cmp::Ordering;
use std::collections::HashMap;

use super::flow::Capacity;
use crate::rules::alternatives::{Leaf, alternatives};
use crate::rules::candidate::{Candidate, Fact, Offer, Race};
use crate::rules::eligibility::{Eligibility, eligibility, matches};
use crate::rules::model::{Need, Per, Rule, Scope};

/// A simple need with its answers.
pub struct LeafCase<'a> {
    /// The need.
    pub leaf: Leaf<'a>,
    /// Its rule, by place in the sheet.
    pub rule: usize,
    /// Entries in scope and of the right kind, in the order of the board.
    pub answers: Vec<(u16, Eligibility)>,
    /// Likewise whatever their state: for `forbid` and upper limits.
    pub carried: Vec<(u16, Eligibility)>,
    /// The same-option or top-level need that a `pair` is for.
    pub pair_for: Option<usize>,
}

/// Everything about one loadout on one leg that does not depend on the assignment.
pub struct Board<'a> {
    /// The rules.
    pub rules: &'a [Rule],
    /// The items.
    pub candidates: &'a [Candidate],
    /// The entries, sorted by item and then by all that tells them apart.
    pub offers: Vec<&'a Offer>,
    /// The race.
    pub race: &'a Race,
    /// The leg that `start` and `leg` look at.
    pub leg: usize,
    /// Units.
    pub capacity: Capacity,
    /// Simple needs.
    pub leaves: Vec<LeafCase<'a>>,
    /// For each rule its alternatives, each a list of places in `leaves`; none where it does not apply.
    pub alternatives: Vec<Vec<Vec<usize>>>,
}

/// The most entries and items that are looked at; what is beyond counts for nothing.
pub const MAX_OFFERS: usize = 10_000;

impl<'a> Board<'a> {
    /// Lays out the loadout as it is on one leg.
    pub fn new(
        rules: &'a [Rule],
        candidates: &'a [Candidate],
        offers: &'a [Offer],
        race: &'a Race,
        leg: usize,
    ) -> Self {
        let mut sorted: Vec<&Offer> = offers
            .iter()
            .filter(|o| o.quantity > 0 && o.candidate < candidates.len().min(MAX_OFFERS))
            .collect();
        sorted.sort_by(|a, b| compare(candidates, a, b));
        sorted.truncate(MAX_OFFERS);
        let capacity = capacity(candidates, &sorted);
        let mut board = Board {
            rules,
            candidates,
            offers: sorted,
            race,
            leg,
            capacity,
            leaves: Vec::new(),
            alternatives: Vec::with_capacity(rules.len()),
        };
        for (place, rule) in rules.iter().enumerate() {
            let mut sets = Vec::new();
            // A nested rule stands in several alternatives; its answers are computed once.
            let mut known: HashMap<*const Rule, usize> = HashMap::new();
            for mut set in alternatives(rule, race) {
                // Nothing wants a partner where the rule that a pair names does not apply.
                let wanted = |leaf: &Leaf<'a>| match &leaf.rule.need {
                    Need::Pair { for_rule, .. } => {
                        !rules.iter().any(|r| r.id == *for_rule && alternatives(r, race).is_empty())
                    }
                    _ => true,
                };
                set.retain(wanted);
                if set.is_empty() {
                    continue;
                }
                let add = |leaf: &Leaf<'a>| {
                    let key = std::ptr::from_ref(leaf.rule);
                    let shared = !matches!(leaf.rule.need, Need::Pair { .. });
                    match known.get(&key) {
                        Some(at) if shared => *at,
                        _ => {
                            let case = board.case(*leaf, place);
                            board.leaves.push(case);
                            known.insert(key, board.leaves.len() - 1);
                            board.leaves.len() - 1
                        }
                    }
                };
                sets.push(set.iter().map(add).collect::<Vec<usize>>());
            }
            board.alternatives.push(sets);
        }
        board.link_pairs();
        board
    }

    fn case(&self, leaf: Leaf<'a>, rule: usize) -> LeafCase<'a> {
        let mut case = LeafCase { leaf, rule, answers: Vec::new(), carried: Vec::new(), pair_for: None };
        let at_most = matches!(leaf.rule.need, Need::Total { at_most: Some(_), .. });
        let forbid = matches!(leaf.rule.need, Need::Forbid { .. });
        let total = matches!(leaf.rule.need, Need::Total { .. });
        let kinds = crate::rules::eligibility::asks(&leaf.rule.need).map_or(&[][..], |(kinds, _)| kinds);
        for (at, offer) in self.offers.iter().enumerate() {
            let candidate = &self.candidates[offer.candidate];
            if !candidate.serves(kinds) || (offer.by_mate && leaf.per == Per::Runner) {
                continue;
            }
            let entry = (!offer.attributes.is_empty()).then_some(&offer.attributes);
            // A total and a ban look at each leg by itself, in their own place.
            if !forbid && (total || self.in_scope(offer, leaf.scope)) {
                case.answers.push((at as u16, eligibility(&leaf, candidate, entry, self.race)));
            }
            if forbid || at_most {
                case.carried.push((at as u16, matches(&leaf, candidate, entry, self.race)));
            }
        }
        case
    }

    /// The legs on which a scope looks.
    pub fn scope_legs(&self, scope: Scope) -> Vec<usize> {
        let all = 0..self.race.legs();
        match scope {
            Scope::Start | Scope::Leg => vec![self.leg],
            Scope::AtAllTimes => all.collect(),
            Scope::Night => {
                let night = |leg: &usize| self.race.legs_dark.get(*leg).copied().flatten() != Some(false);
                let legs: Vec<usize> = all.clone().filter(night).collect();
                if legs.is_empty() { all.collect() } else { legs }
            }
        }
    }

    fn in_scope(&self, offer: &Offer, scope: Scope) -> bool {
        if offer.from_leg == 0 && offer.to_leg.is_none() {
            return true;
        }
        self.scope_legs(scope).into_iter().all(|leg| offer.on_leg(leg))
    }

    /// Whether a need is one of the whole team of which only the runner's own kit is known.
    pub fn mates_may_help(&self, leaf: usize) -> bool {
        self.leaves[leaf].leaf.per == Per::Team && !self.race.mates_known
    }

    /// The item of an entry.
    pub fn candidate(&self, offer: u16) -> &'a Candidate {
        &self.candidates[self.offers[usize::from(offer)].candidate]
    }

    /// The attributes of an entry that go before those of its item.
    pub fn entry(&self, offer: u16) -> Option<&'a std::collections::BTreeMap<String, Fact>> {
        let attributes = &self.offers[usize::from(offer)].attributes;
        (!attributes.is_empty()).then_some(attributes)
    }

    /// Units of a list of entries that can be used at once, each item no more often than it exists.
    pub fn units(&self, list: &[u16]) -> u64 {
        self.spread(list).map(|(_, units)| u64::from(units)).sum()
    }

    /// Each entry of a list with the units that it can give, the earlier entries of its item first.
    pub fn spread<'l>(&'l self, list: &'l [u16]) -> impl Iterator<Item = (u16, u32)> + 'l {
        // The entries of one item are neighbours.
        let mut last: Option<(u16, u32)> = None;
        list.iter().map(move |offer| {
            let item = self.capacity.item_of[usize::from(*offer)];
            let left = match last {
                Some((same, left)) if same == item => left,
                _ => self.capacity.item[usize::from(item)],
            };
            let units = left.min(self.capacity.entry[usize::from(*offer)]);
            last = Some((item, left - units));
            (*offer, units)
        })
    }

    fn link_pairs(&mut self) {
        for rule in 0..self.alternatives.len() {
            for set in &self.alternatives[rule] {
                for at in set {
                    let Need::Pair { for_rule, .. } = &self.leaves[*at].leaf.rule.need else { continue };
                    let beside = set.iter().find(|l| self.leaves[**l].leaf.rule.id == *for_rule).copied();
                    let top = || {
                        let other = self.rules.iter().position(|r| r.id == *for_rule)?;
                        self.alternatives[other].first().and_then(|set| set.first()).copied()
                    };
                    let target = beside.or_else(top);
                    self.leaves[*at].pair_for = target;
                }
            }
        }
    }
}

fn compare(candidates: &[Candidate], a: &Offer, b: &Offer) -> Ordering {
    let (x, y) = (&candidates[a.candidate], &candidates[b.candidate]);
    let plain = |o: &Offer| (o.from_leg, o.to_leg, o.reserve, o.by_mate, o.quantity);
    (x.item_id, &x.name)
        .cmp(&(y.item_id, &y.name))
        .then_with(|| plain(a).cmp(&plain(b)))
        .then_with(|| format!("{:?}", a.attributes).cmp(&format!("{:?}", b.attributes)))
}

fn capacity(candidates: &[Candidate], offers: &[&Offer]) -> Capacity {
    let mut entries_of: Vec<Vec<u16>> = vec![Vec::new(); candidates.len()];
    let mut item: Vec<u32> = vec![0; candidates.len()];
    for (at, offer) in offers.iter().enumerate() {
        entries_of[offer.candidate].push(at as u16);
        item[offer.candidate] = item[offer.candidate].saturating_add(offer.quantity);
    }
    for (units, candidate) in item.iter_mut().zip(candidates) {
        *units = (*units).min(candidate.stock.unwrap_or(u32::MAX));
    }
    Capacity {
        entry: offers.iter().map(|o| o.quantity).collect(),
        item_of: offers.iter().map(|o| o.candidate as u16).collect(),
        item,
        entries_of,
    }
}
