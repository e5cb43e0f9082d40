//! Whether one item can serve one simple need.

use std::collections::BTreeMap;
use std::fmt;

use chrono::NaiveDate;

use super::alternatives::Leaf;
use super::attributes::{self, Attribute, Type};
use super::candidate::{Candidate, Fact, Race, Unfit, Value, parse_size};
use super::model::{Evidence, Need, Op, RaceDate, Test, TestValue};
use crate::item_kind::ItemKind;

/// Yes, unknown or no.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum Eligible {
    /// It fails, whatever is not known.
    No,
    /// It would take something that is not known, stale, too close to the limit or too weakly shown.
    Unknown,
    /// It passes.
    Yes,
}

/// Why an item is not eligible, or not known to be.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Reason {
    /// Of another kind.
    Kind,
    /// It does not count whatever it is.
    Unfit(Unfit),
    /// A test fails.
    Fails {
        /// The attribute.
        attribute: &'static Attribute,
        /// Which test of the rule, by place.
        test: usize,
    },
    /// The attribute is not known.
    NotKnown {
        /// The attribute.
        attribute: &'static Attribute,
    },
    /// The limit lies inside the interval of the value.
    Borderline {
        /// The attribute.
        attribute: &'static Attribute,
        /// Which test of the rule, by place.
        test: usize,
    },
    /// The evidence is older than the rule allows; `None` when it has no date.
    TooOld {
        /// What it is evidence of; `None` for the item as a whole.
        attribute: Option<&'static Attribute>,
        /// Its age at the start in days.
        age_d: Option<i64>,
        /// The greatest age.
        max_age_d: u32,
    },
    /// The evidence is weaker than the rule wants.
    TooWeak {
        /// What it is evidence of; `None` for the item as a whole.
        attribute: Option<&'static Attribute>,
        /// What there is.
        evidence: Evidence,
        /// What is wanted.
        wanted: Evidence,
    },
    /// The race does not say the day that the test compares with.
    RaceDay {
        /// The attribute.
        attribute: &'static Attribute,
    },
    /// What is known of the item may not be used now.
    Stale,
}

/// The number that a test looked at.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Shown {
    /// Of which attribute.
    pub attribute: &'static Attribute,
    /// The comparison.
    pub op: Op,
    /// The best value.
    pub value: f64,
    /// Its interval.
    pub interval: Option<(f64, f64)>,
    /// What it is compared with.
    pub limit: f64,
    /// What the value rests on.
    pub evidence: Evidence,
}

impl Shown {
    /// Room to the limit: positive when the test passes.
    #[must_use]
    pub fn margin(&self) -> f64 {
        if self.op == Op::AtMost { self.limit - self.value } else { self.value - self.limit }
    }
}

/// The answer.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Eligibility {
    /// Yes, unknown or no.
    pub eligible: Eligible,
    /// The first reason of the worst kind; `None` for yes.
    pub reason: Option<Reason>,
    /// What the answer rests on: the evidence of the number shown, else the weakest of what was tested, else
    /// `declared`, for that the thing is there is the runner's word.
    pub evidence: Evidence,
    /// The number with the least room to its limit, relative to the limit.
    pub shown: Option<Shown>,
}

impl Eligibility {
    fn plain(eligible: Eligible, reason: Reason) -> Self {
        Self { eligible, reason: Some(reason), evidence: Evidence::None, shown: None }
    }
}

/// The kinds and tests of a simple need; `None` for `any_of`, which has none of its own. `burn` asks for head lamps and
/// spare cells.
#[must_use]
pub fn asks(need: &Need) -> Option<(&[ItemKind], &[Test])> {
    match need {
        Need::Count { kinds, tests, .. }
        | Need::Total { kinds, tests, .. }
        | Need::Forbid { kinds, tests } => Some((kinds, tests)),
        Need::Pair { kinds, .. } => Some((kinds, &[])),
        Need::Burn { .. } => Some((&[ItemKind::HeadLamp, ItemKind::SpareCell], &[])),
        Need::AnyOf { .. } => None,
    }
}

/// Whether `candidate`, with the attributes of its entry before its own, can serve the need of `leaf`: its kind is
/// one of those asked for, it is fit for use, and every test passes on evidence that is recent and strong enough.
///
/// For `forbid` and for the upper limit of a `total`, use [`matches()`], which leaves fitness, age and strength aside.
#[must_use]
pub fn eligibility(
    leaf: &Leaf<'_>,
    candidate: &Candidate,
    entry: Option<&BTreeMap<String, Fact>>,
    race: &Race,
) -> Eligibility {
    let Some((kinds, tests)) = asks(&leaf.rule.need) else {
        return Eligibility::plain(Eligible::No, Reason::Kind);
    };
    if !candidate.serves(kinds) {
        return Eligibility::plain(Eligible::No, Reason::Kind);
    }
    if let Some(unfit) = candidate.unfit {
        return Eligibility::plain(Eligible::No, Reason::Unfit(unfit));
    }
    let mut answer = run_tests(leaf, tests, candidate, entry, race);
    if answer.eligible == Eligible::No {
        return answer;
    }
    if answer.eligible == Eligible::Yes
        && let Some(reason) = weak_or_old(leaf, tests, candidate, entry, race)
    {
        answer.eligible = Eligible::Unknown;
        answer.reason = Some(reason);
    }
    answer
}

/// Whether kind and tests match, whatever the state of the item and the age and strength of the evidence: how
/// `forbid` and upper limits look at what is carried.
#[must_use]
pub fn matches(
    leaf: &Leaf<'_>,
    candidate: &Candidate,
    entry: Option<&BTreeMap<String, Fact>>,
    race: &Race,
) -> Eligibility {
    let Some((kinds, tests)) = asks(&leaf.rule.need) else {
        return Eligibility::plain(Eligible::No, Reason::Kind);
    };
    if !candidate.serves(kinds) {
        return Eligibility::plain(Eligible::No, Reason::Kind);
    }
    run_tests(leaf, tests, candidate, entry, race)
}

/// The fact of an attribute: the entry's, else the item's.
#[must_use]
pub fn fact<'a>(
    name: &str,
    candidate: &'a Candidate,
    entry: Option<&'a BTreeMap<String, Fact>>,
) -> Option<&'a Fact> {
    entry.and_then(|e| e.get(name)).or_else(|| candidate.attributes.get(name))
}

fn run_tests(
    leaf: &Leaf<'_>,
    tests: &[Test],
    candidate: &Candidate,
    entry: Option<&BTreeMap<String, Fact>>,
    race: &Race,
) -> Eligibility {
    let mut answer =
        Eligibility { eligible: Eligible::Yes, reason: None, evidence: Evidence::Declared, shown: None };
    let mut weakest: Option<Evidence> = None;
    if candidate.stale {
        (answer.eligible, answer.reason) = (Eligible::Unknown, Some(Reason::Stale));
    }
    for (place, test) in tests.iter().enumerate() {
        let Some(attribute) = attributes::find(&test.attribute) else {
            // Validation refuses such a sheet; were it skipped, nothing must pass for it.
            return Eligibility::plain(Eligible::No, Reason::Kind);
        };
        let known = fact(attribute.name, candidate, entry);
        let (result, shown) = match known {
            None => (Outcome::NotKnown, None),
            Some(fact) => compare(test, fact, race, leaf.safety.unwrap_or(attribute.safety)),
        };
        if let Some((value, limit, fact)) = shown {
            let (op, evidence, interval) = (test.op, fact.evidence, fact.interval);
            let shown = Shown { attribute, op, value, interval, limit, evidence };
            if answer.shown.is_none_or(|old| relative(&shown) < relative(&old)) {
                answer.shown = Some(shown);
            }
        }
        if let Some(fact) = known {
            weakest = Some(weakest.map_or(fact.evidence, |w| w.min(fact.evidence)));
        }
        let (eligible, reason) = match result {
            Outcome::Passes => continue,
            Outcome::Fails => (Eligible::No, Reason::Fails { attribute, test: place }),
            Outcome::NotKnown => (Eligible::Unknown, Reason::NotKnown { attribute }),
            Outcome::Borderline => (Eligible::Unknown, Reason::Borderline { attribute, test: place }),
            Outcome::NoRaceDay => (Eligible::Unknown, Reason::RaceDay { attribute }),
        };
        if eligible < answer.eligible {
            (answer.eligible, answer.reason) = (eligible, Some(reason));
        }
    }
    answer.evidence = answer.shown.map(|s| s.evidence).or(weakest).unwrap_or(Evidence::Declared);
    answer
}

fn relative(shown: &Shown) -> f64 {
    shown.margin() / shown.limit.abs().max(1e-9)
}

/// The first tested attribute whose evidence is too old or too weak. Age is asked of what changes with time, or of
/// the whole item when the rule tests nothing of the sort; strength of numbers and sizes, or of every test when
/// there are none, or of the item's presence when there is no test at all.
fn weak_or_old(
    leaf: &Leaf<'_>,
    tests: &[Test],
    candidate: &Candidate,
    entry: Option<&BTreeMap<String, Fact>>,
    race: &Race,
) -> Option<Reason> {
    let measure = match &leaf.rule.need {
        Need::Total { measure, .. } => Some(measure.as_str()),
        Need::Burn { .. } => Some("burn_h"),
        _ => None,
    };
    let tested = || tests.iter().map(|t| t.attribute.as_str()).chain(measure).filter_map(attributes::find);
    if let Some(wanted) = leaf.evidence_wanted {
        let hard = |a: &&Attribute| matches!(a.of, Type::Number | Type::Size);
        let some_hard = tested().any(|a| hard(&a));
        for attribute in tested().filter(|a| !some_hard || hard(a)) {
            let evidence = fact(attribute.name, candidate, entry).map_or(Evidence::None, |f| f.evidence);
            if evidence < wanted {
                return Some(Reason::TooWeak { attribute: Some(attribute), evidence, wanted });
            }
        }
        if tested().next().is_none() && wanted > Evidence::Declared {
            return Some(Reason::TooWeak { attribute: None, evidence: Evidence::Declared, wanted });
        }
    }
    let max_age_d = leaf.max_age_d?;
    let stale = |on: Option<NaiveDate>| {
        let age_d = on.map(|on| (race.age_from() - on).num_days());
        age_d.is_none_or(|age| age > i64::from(max_age_d)).then_some(age_d)
    };
    for attribute in tested().filter(|a| a.ages) {
        if let Some(age_d) = stale(fact(attribute.name, candidate, entry).and_then(|f| f.on)) {
            return Some(Reason::TooOld { attribute: Some(attribute), age_d, max_age_d });
        }
    }
    if tested().any(|a| a.ages) {
        return None;
    }
    stale(candidate.checked_on).map(|age_d| Reason::TooOld { attribute: None, age_d, max_age_d })
}

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Outcome {
    Passes,
    Fails,
    NotKnown,
    Borderline,
    NoRaceDay,
}

impl Outcome {
    fn of(passes: bool) -> Self {
        if passes { Outcome::Passes } else { Outcome::Fails }
    }
}

/// Compares a fact with a test; also the number and the limit when both are numbers.
fn compare<'f>(
    test: &Test,
    fact: &'f Fact,
    race: &Race,
    safety: bool,
) -> (Outcome, Option<(f64, f64, &'f Fact)>) {
    let outcome = match (&fact.value, &test.value) {
        (Value::Number(v), _) if !v.is_finite() => Outcome::NotKnown,
        (Value::Number(v), TestValue::Number(limit)) => {
            let shown = matches!(test.op, Op::AtLeast | Op::AtMost).then_some((*v, *limit, fact));
            return (number(test.op, *v, fact.interval, *limit, safety), shown);
        }
        (Value::Number(v), TestValue::List(list)) => {
            Outcome::of(list.iter().any(|one| matches!(one, TestValue::Number(n) if n == v)))
        }
        (Value::Bool(v), TestValue::Bool(want)) => equal(test.op, v == want),
        (Value::Text(v), TestValue::Text(want)) => equal(test.op, same_word(v, want)),
        (Value::Text(v), TestValue::List(list)) => {
            Outcome::of(list.iter().any(|one| matches!(one, TestValue::Text(want) if same_word(v, want))))
        }
        (Value::Date(v), TestValue::Text(day)) => match day.parse::<NaiveDate>() {
            Ok(limit) => ordered(test.op, *v, limit),
            Err(_) => Outcome::Fails,
        },
        (Value::Date(v), TestValue::Race { race: which }) => {
            let day = match which {
                RaceDate::StartOn => race.starts_on,
                RaceDate::FinishOn => race.finish_on,
            };
            day.map_or(Outcome::NoRaceDay, |limit| ordered(test.op, *v, limit))
        }
        (Value::Size(a, b), TestValue::Text(size)) => match parse_size(size) {
            Some((short, long)) if a.is_finite() && b.is_finite() => {
                let (s, l) = (a.min(*b), a.max(*b));
                match test.op {
                    Op::AtLeast => Outcome::of(s >= short && l >= long),
                    Op::AtMost => Outcome::of(s <= short && l <= long),
                    Op::Equal | Op::In => Outcome::of(s == short && l == long),
                    Op::NotEqual => Outcome::of(s != short || l != long),
                }
            }
            _ => Outcome::NotKnown,
        },
        // The fact has another type than the registry says: nothing is known of the attribute.
        _ => Outcome::NotKnown,
    };
    (outcome, None)
}

/// Whether two words are the same but for case and outer blanks.
#[must_use]
pub fn same_word(a: &str, b: &str) -> bool {
    let (a, b) = (a.trim(), b.trim());
    a == b || a.to_lowercase() == b.to_lowercase()
}

fn equal(op: Op, same: bool) -> Outcome {
    Outcome::of(if op == Op::NotEqual { !same } else { same })
}

fn ordered<T: PartialOrd>(op: Op, value: T, limit: T) -> Outcome {
    Outcome::of(match op {
        Op::AtLeast => value >= limit,
        Op::AtMost => value <= limit,
        Op::Equal | Op::In => value == limit,
        Op::NotEqual => value != limit,
    })
}

/// Compares a number whose true value lies in `interval`. Where both ends agree, that is the answer. Where they do
/// not, it is too close to tell for a safety attribute, and for a censored value, which has no best value; for
/// others the best value decides.
fn number(op: Op, value: f64, interval: Option<(f64, f64)>, limit: f64, safety: bool) -> Outcome {
    let Some((low, high)) = interval else { return ordered(op, value, limit) };
    if low.is_nan() || high.is_nan() {
        return Outcome::NotKnown;
    }
    let (low, high) = (low.min(value), high.max(value));
    let (sure, never) = match op {
        Op::AtLeast => (low >= limit, high < limit),
        Op::AtMost => (high <= limit, low > limit),
        Op::Equal | Op::In => (low == limit && high == limit, limit < low || limit > high),
        Op::NotEqual => (limit < low || limit > high, low == limit && high == limit),
    };
    if sure {
        Outcome::Passes
    } else if never {
        Outcome::Fails
    } else if safety || low.is_infinite() || high.is_infinite() {
        Outcome::Borderline
    } else {
        ordered(op, value, limit)
    }
}

impl fmt::Display for Eligible {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Eligible::Yes => "yes",
            Eligible::Unknown => "unknown",
            Eligible::No => "no",
        })
    }
}
