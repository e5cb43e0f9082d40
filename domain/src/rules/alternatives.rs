//! A rule as a choice between sets of simple needs: `any_of` multiplied out.

use super::candidate::Race;
use super::model::{Evidence, MAX_ALTERNATIVES, MAX_DEPTH, Need, Per, Rule, Scope};

/// A rule that is not `any_of`, with what it takes over from the rules around it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Leaf<'a> {
    /// The rule itself.
    pub rule: &'a Rule,
    /// [`Rule::safety`], its own or that of a rule around it.
    pub safety: Option<bool>,
    /// [`Rule::scope`], likewise.
    pub scope: Scope,
    /// [`Rule::per`], likewise.
    pub per: Per,
    /// Whether this rule or one around it is shareable.
    pub shareable: bool,
    /// [`Rule::max_age_d`], its own or that of a rule around it.
    pub max_age_d: Option<u32>,
    /// [`Rule::evidence_wanted`], likewise.
    pub evidence_wanted: Option<Evidence>,
}

impl<'a> Leaf<'a> {
    /// The rule with its own fields and the defaults.
    #[must_use]
    pub fn of(rule: &'a Rule) -> Self {
        Self {
            rule,
            safety: rule.safety,
            scope: rule.scope.unwrap_or_default(),
            per: rule.per.unwrap_or_default(),
            shareable: rule.shareable,
            max_age_d: rule.max_age_d,
            evidence_wanted: rule.evidence_wanted,
        }
    }

    fn inside(self, rule: &'a Rule) -> Self {
        Self {
            rule,
            safety: rule.safety.or(self.safety),
            scope: rule.scope.unwrap_or(self.scope),
            per: rule.per.unwrap_or(self.per),
            shareable: rule.shareable || self.shareable,
            max_age_d: rule.max_age_d.or(self.max_age_d),
            evidence_wanted: rule.evidence_wanted.or(self.evidence_wanted),
        }
    }
}

/// The sets of simple needs of which one must hold whole, in the order of the options; none when the rule does not
/// apply to the race. Rules inside that do not apply fall out of their option, and an option of such rules alone
/// falls out of the choice.
///
/// At most [`MAX_ALTERNATIVES`] sets and [`MAX_DEPTH`] levels are followed, which validation makes sure of.
#[must_use]
pub fn alternatives<'a>(rule: &'a Rule, race: &Race) -> Vec<Vec<Leaf<'a>>> {
    expand(Leaf::of(rule), race, 0)
}

fn applies(leaf: &Leaf<'_>, race: &Race) -> bool {
    // A night rule does not apply to a race without darkness. Dark hours that are not known do not switch it off.
    let dark = race.dark_h.is_none_or(|d| d.high > 0.0);
    race.is_on(&leaf.rule.when) && (leaf.scope != Scope::Night || dark)
}

fn expand<'a>(leaf: Leaf<'a>, race: &Race, depth: usize) -> Vec<Vec<Leaf<'a>>> {
    if !applies(&leaf, race) {
        return Vec::new();
    }
    let Need::AnyOf { options } = &leaf.rule.need else { return vec![vec![leaf]] };
    let mut all = Vec::new();
    if depth >= MAX_DEPTH {
        return all;
    }
    for option in options {
        let mut sets: Vec<Vec<Leaf<'a>>> = vec![Vec::new()];
        for rule in option {
            let inner = expand(leaf.inside(rule), race, depth + 1);
            if !inner.is_empty() {
                let pairs =
                    sets.iter().flat_map(|set| inner.iter().map(move |more| [&set[..], more].concat()));
                sets = pairs.take(MAX_ALTERNATIVES).collect();
            }
        }
        all.extend(sets.into_iter().filter(|set| !set.is_empty()));
    }
    all.truncate(MAX_ALTERNATIVES);
    all
}
