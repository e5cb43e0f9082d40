//! The rule sheet.
//!
//! On the wire a [`Rule`] is one flat object ([`super::flat::FlatRule`]); here the fields that only one need has are
//! inside that [`Need`], so that a rule of one need cannot carry the fields of another.

use serde::{Deserialize, Serialize};

use super::flat::FlatRule;
use crate::item_kind::ItemKind;

/// The most rules of a sheet, nested ones included.
pub const MAX_RULES: usize = 200;
/// How deep an `any_of` may stand in another.
pub const MAX_DEPTH: usize = 4;
/// The most options of an `any_of`, and the most rules of one option.
pub const MAX_OPTIONS: usize = 16;
/// The most sets of simple needs that the options of one rule may multiply to.
pub const MAX_ALTERNATIVES: usize = 256;
/// The most tests of one rule.
pub const MAX_TESTS: usize = 16;
/// The greatest number of units that a rule may ask for.
pub const MAX_COUNT: u32 = 1000;
/// The greatest number of units of a rule that a `pair` names.
pub const MAX_PAIRED_COUNT: u32 = 8;
/// The greatest number that a test or a total may have.
pub const MAX_NUMBER: f64 = 1e9;

/// A race's mandatory kit as data.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct RuleSheet {
    /// The race's or the organiser's name for it.
    pub name: String,
    /// Which edition, such as a year.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub edition: String,
    /// In the organiser's order, which also settles ties.
    #[cfg_attr(feature = "openapi", schema(value_type = Vec<FlatRule>))]
    pub rules: Vec<Rule>,
}

/// One rule.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "FlatRule", into = "FlatRule")]
pub struct Rule {
    /// A short name, unique in the sheet, nested rules included.
    pub id: String,
    /// A few words.
    pub title: String,
    /// The rule as the organiser wrote it, which alone counts.
    pub wording: String,
    /// Whether a value too close to the limit is NOT SHOWN. Left out: as the rule around it says, else as the
    /// attribute's entry in the registry says.
    pub safety: Option<bool>,
    /// `always`, or the name of a set that the organiser switches on.
    pub when: String,
    /// When it must hold. Left out: as the rule around it says, else at the start.
    pub scope: Option<Scope>,
    /// Whether a unit that serves this rule may serve others too.
    pub shareable: bool,
    /// The greatest age of the evidence on the day of the start, in days.
    pub max_age_d: Option<u32>,
    /// The weakest evidence that is enough.
    pub evidence_wanted: Option<Evidence>,
    /// For whom it is counted. Left out: as the rule around it says, else for each runner.
    pub per: Option<Per>,
    /// Whether a total is multiplied by the days of a stage race.
    pub times_days: bool,
    /// What is asked for.
    pub need: Need,
}

/// What a rule asks for.
#[derive(Debug, Clone, PartialEq)]
pub enum Need {
    /// So many units that pass every test; a unit serves one rule unless the rule is shareable.
    Count {
        /// Any of these kinds; empty is every kind.
        kinds: Vec<ItemKind>,
        /// How many units, at least 1.
        count: u32,
        /// All must pass.
        tests: Vec<Test>,
    },
    /// A sum over what is carried; it uses nothing up.
    Total {
        /// Any of these kinds; empty is every kind.
        kinds: Vec<ItemKind>,
        /// A numeric attribute.
        measure: String,
        /// The least sum.
        at_least: Option<f64>,
        /// The greatest sum.
        at_most: Option<f64>,
        /// Only what passes every test is summed.
        tests: Vec<Test>,
        /// Whether only what is kept to the finish is summed.
        reserve: bool,
    },
    /// Light for the dark hours of the race times `1 + margin`: the burn hours of head lamps, and of spare cells
    /// that fit one of them.
    Burn {
        /// A fraction, 0.2 for a fifth more.
        margin: f64,
    },
    /// At least one option, of which every rule holds.
    AnyOf {
        /// In order of preference on equal terms.
        options: Vec<Vec<Rule>>,
    },
    /// For each unit that serves another rule, a unit beside it with the same attribute (a spare cell that fits).
    Pair {
        /// The id of a `count` rule of the sheet.
        for_rule: String,
        /// Kinds of the partner.
        kinds: Vec<ItemKind>,
        /// The attribute that must be equal and known.
        same_attribute: String,
    },
    /// Nothing of these kinds that passes every test may be carried.
    Forbid {
        /// Any of these kinds; empty is every kind.
        kinds: Vec<ItemKind>,
        /// All must pass for a thing to be forbidden.
        tests: Vec<Test>,
    },
}

impl Need {
    /// The word on the wire.
    #[must_use]
    pub fn name(&self) -> &'static str {
        match self {
            Need::Count { .. } => "count",
            Need::Total { .. } => "total",
            Need::Burn { .. } => "burn",
            Need::AnyOf { .. } => "any_of",
            Need::Pair { .. } => "pair",
            Need::Forbid { .. } => "forbid",
        }
    }
}

/// One test of an attribute.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct Test {
    /// A name of the registry.
    pub attribute: String,
    /// How to compare.
    pub op: Op,
    /// With what.
    pub value: TestValue,
}

/// A comparison. Two-sided sizes compare sorted, side by side.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub enum Op {
    /// At least.
    #[serde(rename = ">=")]
    AtLeast,
    /// At most.
    #[serde(rename = "<=")]
    AtMost,
    /// Equal.
    #[serde(rename = "=")]
    Equal,
    /// Not equal.
    #[serde(rename = "!=")]
    NotEqual,
    /// One of a list.
    #[serde(rename = "in")]
    In,
}

impl Op {
    /// The sign on the wire.
    #[must_use]
    pub fn sign(self) -> &'static str {
        match self {
            Op::AtLeast => ">=",
            Op::AtMost => "<=",
            Op::Equal => "=",
            Op::NotEqual => "!=",
            Op::In => "in",
        }
    }
}

/// What an attribute is compared with: a number, a boolean, a text (also dates `2026-08-28` and sizes in millimetres
/// `1400x2000`), a list of numbers or texts for `in`, or a date of the race, `{"race": "finish_on"}`.
#[derive(Debug, Clone, PartialEq, Serialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(untagged)]
pub enum TestValue {
    /// In the attribute's unit.
    Number(#[serde(serialize_with = "super::flat::whole")] f64),
    /// True or false.
    Bool(bool),
    /// A word, a date or a size.
    Text(String),
    /// For `in`.
    #[cfg_attr(feature = "openapi", schema(no_recursion))]
    List(Vec<TestValue>),
    /// A date of the race.
    Race {
        /// Which.
        race: RaceDate,
    },
}

/// A date that the race gives.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum RaceDate {
    /// The day of the start.
    StartOn,
    /// The day of the finish.
    FinishOn,
}

/// When a rule must hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Scope {
    /// At the start: what is carried on the first leg.
    #[default]
    Start,
    /// From start to finish: a thing counts that is carried on every leg, food and water that are kept in reserve.
    AtAllTimes,
    /// On the legs with darkness; not applicable to a race without any.
    Night,
    /// On each leg by itself; what is picked up from a drop bag may take over.
    Leg,
}

/// For whom a rule is counted.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Per {
    /// For each runner.
    #[default]
    Runner,
    /// Once for the team.
    Team,
}

/// What a value rests on, weakest first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Evidence {
    /// Nothing.
    None,
    /// Someone says so.
    Declared,
    /// The maker's label or certificate.
    Label,
    /// Computed forward from measurements.
    Predicted,
    /// Measured.
    Measured,
}

impl Evidence {
    /// The word on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Evidence::None => "none",
            Evidence::Declared => "declared",
            Evidence::Label => "label",
            Evidence::Predicted => "predicted",
            Evidence::Measured => "measured",
        }
    }
}

/// The set that is always on.
pub const ALWAYS: &str = "always";
