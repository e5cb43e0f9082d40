//! What is known when rules are applied: of items, of the entries of a loadout, and of the race.

use std::collections::{BTreeMap, BTreeSet};

use chrono::NaiveDate;

use super::model::Evidence;
use crate::ids::ItemId;
use crate::item_kind::ItemKind;

/// The value of an attribute.
#[derive(Debug, Clone, PartialEq)]
pub enum Value {
    /// In the attribute's unit; one that is not finite counts as not known.
    Number(f64),
    /// True or false.
    Bool(bool),
    /// A word.
    Text(String),
    /// A day.
    Date(NaiveDate),
    /// Two sides in millimetres, in any order.
    Size(f64, f64),
}

/// A value with what it rests on. An attribute without a fact is not known, which is neither zero nor false.
#[derive(Debug, Clone, PartialEq)]
pub struct Fact {
    /// The best value.
    pub value: Value,
    /// The interval in which the true number lies (usually of 95 %). An infinite end stands for a censored test,
    /// "at least 2000": then there is no best value, and a limit beyond the other end is not known to be met or
    /// missed.
    pub interval: Option<(f64, f64)>,
    /// What it rests on.
    pub evidence: Evidence,
    /// The day of the measurement or, for a prediction, of the newest measurement behind it.
    pub on: Option<NaiveDate>,
}

impl Fact {
    /// A value without an interval or a date.
    #[must_use]
    pub fn new(value: Value, evidence: Evidence) -> Self {
        Self { value, interval: None, evidence, on: None }
    }

    /// A number without an interval or a date.
    #[must_use]
    pub fn number(value: f64, evidence: Evidence) -> Self {
        Self::new(Value::Number(value), evidence)
    }

    /// A number with `value +- 1.96 u` as its interval (95 % for a normal distribution).
    #[must_use]
    pub fn with_u(value: f64, u: f64, evidence: Evidence, on: Option<NaiveDate>) -> Self {
        let half = 1.96 * u.abs();
        let interval = half.is_finite().then_some((value - half, value + half));
        Self { value: Value::Number(value), interval, evidence, on }
    }

    /// Reads a value of the open map as the registry types it: a text becomes a date or a size where the attribute
    /// is one. `None` when the types differ.
    #[must_use]
    pub fn from_map(name: &str, value: &serde_json::Value, evidence: Evidence) -> Option<Self> {
        use super::attributes::{Type, find};
        let value = match (find(name)?.of, value) {
            (Type::Number, serde_json::Value::Number(n)) => Value::Number(n.as_f64()?),
            (Type::Boolean, serde_json::Value::Bool(b)) => Value::Bool(*b),
            (Type::Text, serde_json::Value::String(s)) => Value::Text(s.clone()),
            (Type::Date, serde_json::Value::String(s)) => Value::Date(s.parse().ok()?),
            (Type::Size, serde_json::Value::String(s)) => {
                let (a, b) = parse_size(s)?;
                Value::Size(a, b)
            }
            _ => return None,
        };
        Some(Self::new(value, evidence))
    }
}

/// Reads two sides in millimetres, `1400x2000`; returns them sorted.
#[must_use]
pub fn parse_size(text: &str) -> Option<(f64, f64)> {
    let (a, b) = text.split_once(['x', 'X', '\u{d7}'])?;
    let side = |s: &str| s.trim().parse::<f64>().ok().filter(|v| v.is_finite() && *v > 0.0 && *v <= 1e6);
    let (a, b) = (side(a)?, side(b)?);
    Some((a.min(b), a.max(b)))
}

/// Why an item does not count, whatever it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Unfit {
    /// Taken out of use.
    Retired,
    /// Not to be used before someone has cleared it.
    Quarantined,
    /// Lent to somebody else.
    LentOut,
    /// Its expiry date is before the race's end.
    Expired,
}

impl Unfit {
    /// Completes "it is ...".
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Unfit::Retired => "retired",
            Unfit::Quarantined => "quarantined",
            Unfit::LentOut => "lent out",
            Unfit::Expired => "expired",
        }
    }
}

/// One item that may serve rules.
#[derive(Debug, Clone, PartialEq)]
pub struct Candidate {
    /// The item.
    pub item_id: ItemId,
    /// Its name, for notes.
    pub name: String,
    /// What it is.
    pub kind: ItemKind,
    /// What it can serve as besides (a mitten that folds into a glove).
    pub also_serves: Vec<ItemKind>,
    /// Items that it excludes from a loadout; one direction is enough.
    pub conflicts_with: Vec<ItemId>,
    /// Why it does not count at all, if so. It is still carried: `forbid` and `at_most` see it.
    pub unfit: Option<Unfit>,
    /// Units owned: 1 for a single thing, the stock of a kind of like units; `None` when not counted.
    pub stock: Option<u32>,
    /// What is known of it, by registered name; for a kind of like units, per unit. Its mass is `mass_g`.
    pub attributes: BTreeMap<String, Fact>,
    /// The newest day on which somebody examined it: the date that `max_age_d` looks at when a rule tests nothing
    /// that ages.
    pub checked_on: Option<NaiveDate>,
    /// Why what is known of it may not be used now (a club's item whose copy is too old, or a membership that
    /// ended): every rule it would serve is NOT SHOWN.
    pub stale: bool,
}

impl Candidate {
    /// A serviceable single thing of which nothing is known.
    #[must_use]
    pub fn new(item_id: ItemId, name: impl Into<String>, kind: ItemKind) -> Self {
        Self {
            item_id,
            name: name.into(),
            kind,
            also_serves: Vec::new(),
            conflicts_with: Vec::new(),
            unfit: None,
            stock: Some(1),
            attributes: BTreeMap::new(),
            checked_on: None,
            stale: false,
        }
    }

    /// With an attribute.
    #[must_use]
    pub fn with(mut self, name: &str, fact: Fact) -> Self {
        self.attributes.insert(name.to_owned(), fact);
        self
    }

    /// Whether it can serve as one of `kinds`; an empty list is every kind.
    #[must_use]
    pub fn serves(&self, kinds: &[ItemKind]) -> bool {
        kinds.is_empty() || kinds.contains(&self.kind) || self.also_serves.iter().any(|k| kinds.contains(k))
    }
}

/// One entry of a loadout, as the rules see it. What lies in a drop bag is not carried before `from_leg`.
#[derive(Debug, Clone, PartialEq)]
pub struct Offer {
    /// Its item, by its place in the list of candidates.
    pub candidate: usize,
    /// Whole units.
    pub quantity: u32,
    /// Kept to the finish.
    pub reserve: bool,
    /// The first leg on which it is carried, from 0; a thing in a drop bag that is never picked up has none, and is
    /// left out of the list.
    pub from_leg: usize,
    /// The last leg on which it is carried; `None` is the last of the race.
    pub to_leg: Option<usize>,
    /// Carried by a team mate: it counts for rules per team alone.
    pub by_mate: bool,
    /// Attributes of this entry (`fill_ml`, `kept_dry`), which go before those of the item.
    pub attributes: BTreeMap<String, Fact>,
}

impl Offer {
    /// One unit, carried from start to finish by the runner.
    #[must_use]
    pub fn new(candidate: usize) -> Self {
        Self {
            candidate,
            quantity: 1,
            reserve: false,
            from_leg: 0,
            to_leg: None,
            by_mate: false,
            attributes: BTreeMap::new(),
        }
    }

    /// Whether it is carried on that leg.
    #[must_use]
    pub fn on_leg(&self, leg: usize) -> bool {
        self.from_leg <= leg && self.to_leg.is_none_or(|last| leg <= last)
    }
}

/// A number with the interval in which it lies.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Bounded {
    /// The best value.
    pub value: f64,
    /// The least.
    pub low: f64,
    /// The greatest.
    pub high: f64,
}

impl Bounded {
    /// Without an interval.
    #[must_use]
    pub fn exact(value: f64) -> Self {
        Self { value, low: value, high: value }
    }
}

/// What the race gives.
#[derive(Debug, Clone, PartialEq)]
pub struct Race {
    /// The day on which the verdict is asked for; ages count from the start, or from here when that is not known.
    pub as_of: NaiveDate,
    /// The day of the start.
    pub starts_on: Option<NaiveDate>,
    /// The day of the expected finish.
    pub finish_on: Option<NaiveDate>,
    /// The sets that the organiser switched on.
    pub active_sets: BTreeSet<String>,
    /// Dark hours on the course.
    pub dark_h: Option<Bounded>,
    /// Days of a stage race.
    pub days: Option<u32>,
    /// Whether each leg has darkness; empty is one leg of which that is not known.
    pub legs_dark: Vec<Option<bool>>,
    /// Whether the offers hold what the team mates carry too.
    pub mates_known: bool,
}

impl Race {
    /// A race of one leg of which nothing is known.
    #[must_use]
    pub fn unknown(as_of: NaiveDate) -> Self {
        Self {
            as_of,
            starts_on: None,
            finish_on: None,
            active_sets: BTreeSet::new(),
            dark_h: None,
            days: None,
            legs_dark: Vec::new(),
            mates_known: false,
        }
    }

    /// The number of legs, at least one.
    #[must_use]
    pub fn legs(&self) -> usize {
        self.legs_dark.len().max(1)
    }

    /// The day from which the age of evidence counts.
    #[must_use]
    pub fn age_from(&self) -> NaiveDate {
        self.starts_on.unwrap_or(self.as_of)
    }

    /// Whether a rule with that `when` applies.
    #[must_use]
    pub fn is_on(&self, when: &str) -> bool {
        when == super::model::ALWAYS || self.active_sets.contains(when)
    }
}
