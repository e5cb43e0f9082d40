//! A rule on the wire: one object in which each need has its own fields.

use std::fmt;

use serde::de::{self, Deserializer, MapAccess, SeqAccess, Visitor};
use serde::{Deserialize, Serialize, Serializer};

use super::model::{ALWAYS, Evidence, Need, Per, RaceDate, Rule, Scope, Test, TestValue};
use crate::item_kind::ItemKind;

/// The needs by name.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum NeedName {
    /// [`Need::Count`].
    Count,
    /// [`Need::Total`].
    Total,
    /// [`Need::Burn`].
    Burn,
    /// [`Need::AnyOf`].
    AnyOf,
    /// [`Need::Pair`].
    Pair,
    /// [`Need::Forbid`].
    Forbid,
}

/// A sheet whose rules are still in the form of the wire.
#[derive(Debug, Clone, PartialEq, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct FlatSheet {
    /// See [`super::RuleSheet`].
    pub name: String,
    /// See [`super::RuleSheet`].
    #[serde(default)]
    pub edition: String,
    /// See [`super::RuleSheet`].
    pub rules: Vec<FlatRule>,
}

/// One rule. `id` and `need` are required; which of the other fields belong to it, the need says:
/// `count` {kinds, count, where}, `total` {kinds, measure, at_least | at_most, where, reserve}, `burn` {margin},
/// `any_of` {options}, `pair` {for, kinds, same_attribute}, `forbid` {kinds, where}.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema), schema(as = Rule))]
#[serde(deny_unknown_fields)]
pub struct FlatRule {
    /// A short name, unique in the sheet.
    pub id: String,
    /// A few words.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub title: String,
    /// The rule as the organiser wrote it.
    #[serde(default, skip_serializing_if = "String::is_empty")]
    pub wording: String,
    /// What is asked for.
    pub need: NeedName,
    /// Whether a value too close to the limit is NOT SHOWN; left out, the attribute decides.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub safety: Option<bool>,
    /// `always` (when left out), or the name of a set that the organiser switches on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when: Option<String>,
    /// When it must hold; left out, at the start.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub scope: Option<Scope>,
    /// Whether a unit that serves it may serve other rules too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub shareable: Option<bool>,
    /// The greatest age of the evidence at the start, in days.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub max_age_d: Option<u32>,
    /// The weakest evidence that is enough.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub evidence_wanted: Option<Evidence>,
    /// For each runner (when left out) or once for the team.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub per: Option<Per>,
    /// Whether a total is multiplied by the days of a stage race.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub times_days: Option<bool>,
    /// Kinds that serve; left out, every kind.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kinds: Option<Vec<ItemKind>>,
    /// How many units; left out, one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub count: Option<u32>,
    /// Tests that must all pass.
    #[serde(default, rename = "where", skip_serializing_if = "Option::is_none")]
    pub tests: Option<Vec<Test>>,
    /// The numeric attribute that is summed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub measure: Option<String>,
    /// The least sum.
    #[serde(default, skip_serializing_if = "Option::is_none", serialize_with = "whole_option")]
    pub at_least: Option<f64>,
    /// The greatest sum.
    #[serde(default, skip_serializing_if = "Option::is_none", serialize_with = "whole_option")]
    pub at_most: Option<f64>,
    /// Whether only what is kept to the finish is summed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub reserve: Option<bool>,
    /// The fraction of burn hours beyond the dark hours; left out, 0.2.
    #[serde(default, skip_serializing_if = "Option::is_none", serialize_with = "whole_option")]
    pub margin: Option<f64>,
    /// The options, each a list of rules that must all hold.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(no_recursion))]
    pub options: Option<Vec<Vec<FlatRule>>>,
    /// The id of the rule whose units want partners.
    #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
    pub for_rule: Option<String>,
    /// The attribute that partners share.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub same_attribute: Option<String>,
}

/// Writes whole numbers as integers, so that one number has one form.
pub(super) fn whole<S: Serializer>(value: &f64, serializer: S) -> Result<S::Ok, S::Error> {
    if value.fract() == 0.0 && value.abs() < 9e15 {
        serializer.serialize_i64(*value as i64)
    } else {
        serializer.serialize_f64(*value)
    }
}

fn whole_option<S: Serializer>(value: &Option<f64>, serializer: S) -> Result<S::Ok, S::Error> {
    match value {
        Some(value) => whole(value, serializer),
        None => serializer.serialize_none(),
    }
}

/// Burn hours beyond the dark hours when a rule does not say: a fifth more, a judgement without a source.
pub const DEFAULT_BURN_MARGIN: f64 = 0.2;

/// A field that is missing, or that belongs to another need.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum FlatError {
    /// Missing.
    #[error("rule `{rule}`: a rule with need `{need}` needs the field `{field}`")]
    Missing {
        /// The rule's id.
        rule: String,
        /// Its need.
        need: &'static str,
        /// The field.
        field: &'static str,
    },
    /// Of another need.
    #[error("rule `{rule}`: the field `{field}` does not belong to need `{need}`")]
    Foreign {
        /// The rule's id.
        rule: String,
        /// Its need.
        need: &'static str,
        /// The field.
        field: &'static str,
    },
    /// Nested too deep.
    #[error("rule `{rule}`: any_of is nested more than {} deep", super::model::MAX_DEPTH)]
    TooDeep {
        /// The rule's id.
        rule: String,
    },
}

impl FlatError {
    /// The field at fault.
    #[must_use]
    pub fn field(&self) -> Option<&'static str> {
        match self {
            FlatError::Foreign { field, .. } => Some(field),
            FlatError::TooDeep { .. } => Some("options"),
            FlatError::Missing { .. } => None,
        }
    }
}

impl FlatRule {
    /// The fields that only some needs have, with whether each is there.
    fn special(&self) -> [(&'static str, bool); 11] {
        [
            ("kinds", self.kinds.is_some()),
            ("count", self.count.is_some()),
            ("where", self.tests.is_some()),
            ("measure", self.measure.is_some()),
            ("at_least", self.at_least.is_some()),
            ("at_most", self.at_most.is_some()),
            ("reserve", self.reserve.is_some()),
            ("margin", self.margin.is_some()),
            ("options", self.options.is_some()),
            ("for", self.for_rule.is_some()),
            ("same_attribute", self.same_attribute.is_some()),
        ]
    }

    /// Checks this rule's own fields against its need, nested rules left alone.
    ///
    /// # Errors
    /// [`FlatError`] for the first field that is missing or foreign.
    pub fn check_fields(&self) -> Result<(), FlatError> {
        let (need, allowed): (&'static str, &[&str]) = match self.need {
            NeedName::Count => ("count", &["kinds", "count", "where"]),
            NeedName::Total => ("total", &["kinds", "measure", "at_least", "at_most", "where", "reserve"]),
            NeedName::Burn => ("burn", &["margin"]),
            NeedName::AnyOf => ("any_of", &["options"]),
            NeedName::Pair => ("pair", &["for", "kinds", "same_attribute"]),
            NeedName::Forbid => ("forbid", &["kinds", "where"]),
        };
        let special = self.special();
        if let Some((field, _)) = special.iter().find(|(f, there)| *there && !allowed.contains(f)) {
            return Err(FlatError::Foreign { rule: self.id.clone(), need, field });
        }
        let required: &[&'static str] = match self.need {
            NeedName::Total => &["measure"],
            NeedName::AnyOf => &["options"],
            NeedName::Pair => &["for", "kinds", "same_attribute"],
            NeedName::Count | NeedName::Burn | NeedName::Forbid => &[],
        };
        let missing = required.iter().find(|f| special.iter().any(|(name, there)| name == *f && !there));
        missing.map_or(Ok(()), |field| Err(FlatError::Missing { rule: self.id.clone(), need, field }))
    }

    fn into_rule(self, depth: usize) -> Result<Rule, FlatError> {
        self.check_fields()?;
        let kinds = self.kinds.unwrap_or_default();
        let tests = self.tests.unwrap_or_default();
        let need = match self.need {
            NeedName::Count => Need::Count { kinds, count: self.count.unwrap_or(1), tests },
            NeedName::Total => Need::Total {
                kinds,
                measure: self.measure.unwrap_or_default(),
                at_least: self.at_least,
                at_most: self.at_most,
                tests,
                reserve: self.reserve.unwrap_or(false),
            },
            NeedName::Burn => Need::Burn { margin: self.margin.unwrap_or(DEFAULT_BURN_MARGIN) },
            NeedName::AnyOf => {
                if depth >= super::model::MAX_DEPTH {
                    return Err(FlatError::TooDeep { rule: self.id });
                }
                let inner = |o: Vec<FlatRule>| o.into_iter().map(|r| r.into_rule(depth + 1)).collect();
                let options = self.options.unwrap_or_default().into_iter().map(inner);
                Need::AnyOf { options: options.collect::<Result<_, _>>()? }
            }
            NeedName::Pair => Need::Pair {
                for_rule: self.for_rule.unwrap_or_default(),
                kinds,
                same_attribute: self.same_attribute.unwrap_or_default(),
            },
            NeedName::Forbid => Need::Forbid { kinds, tests },
        };
        Ok(Rule {
            id: self.id,
            title: self.title,
            wording: self.wording,
            safety: self.safety,
            when: self.when.unwrap_or_else(|| ALWAYS.to_owned()),
            scope: self.scope,
            shareable: self.shareable.unwrap_or(false),
            max_age_d: self.max_age_d,
            evidence_wanted: self.evidence_wanted,
            per: self.per,
            times_days: self.times_days.unwrap_or(false),
            need,
        })
    }
}

impl TryFrom<FlatRule> for Rule {
    type Error = FlatError;
    fn try_from(flat: FlatRule) -> Result<Self, FlatError> {
        flat.into_rule(0)
    }
}

impl From<Rule> for FlatRule {
    /// Defaults are left out, so that one rule has one form.
    fn from(rule: Rule) -> Self {
        let some = |list: Vec<ItemKind>| (!list.is_empty()).then_some(list);
        let tests_of = |list: Vec<Test>| (!list.is_empty()).then_some(list);
        let mut flat = FlatRule {
            id: rule.id,
            title: rule.title,
            wording: rule.wording,
            need: NeedName::Count,
            safety: rule.safety,
            when: (rule.when != ALWAYS).then_some(rule.when),
            scope: rule.scope,
            shareable: rule.shareable.then_some(true),
            max_age_d: rule.max_age_d,
            evidence_wanted: rule.evidence_wanted,
            per: rule.per,
            times_days: rule.times_days.then_some(true),
            kinds: None,
            count: None,
            tests: None,
            measure: None,
            at_least: None,
            at_most: None,
            reserve: None,
            margin: None,
            options: None,
            for_rule: None,
            same_attribute: None,
        };
        match rule.need {
            Need::Count { kinds, count, tests } => {
                (flat.kinds, flat.count, flat.tests) = (some(kinds), Some(count), tests_of(tests));
            }
            Need::Total { kinds, measure, at_least, at_most, tests, reserve } => {
                flat.need = NeedName::Total;
                (flat.kinds, flat.measure, flat.tests) = (some(kinds), Some(measure), tests_of(tests));
                (flat.at_least, flat.at_most, flat.reserve) = (at_least, at_most, reserve.then_some(true));
            }
            Need::Burn { margin } => (flat.need, flat.margin) = (NeedName::Burn, Some(margin)),
            Need::AnyOf { options } => {
                flat.need = NeedName::AnyOf;
                let inner = |o: Vec<Rule>| o.into_iter().map(FlatRule::from).collect();
                flat.options = Some(options.into_iter().map(inner).collect());
            }
            Need::Pair { for_rule, kinds, same_attribute } => {
                flat.need = NeedName::Pair;
                flat.kinds = Some(kinds);
                (flat.for_rule, flat.same_attribute) = (Some(for_rule), Some(same_attribute));
            }
            Need::Forbid { kinds, tests } => {
                (flat.need, flat.kinds, flat.tests) = (NeedName::Forbid, some(kinds), tests_of(tests));
            }
        }
        flat
    }
}

/// Written by hand for its error messages: an untagged enumeration would only say that nothing matched.
impl<'de> Deserialize<'de> for TestValue {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct Any;
        impl<'de> Visitor<'de> for Any {
            type Value = TestValue;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number, true, false, a text, a list of them, or {\"race\": \"finish_on\"}")
            }
            fn visit_bool<E>(self, v: bool) -> Result<TestValue, E> {
                Ok(TestValue::Bool(v))
            }
            fn visit_i64<E>(self, v: i64) -> Result<TestValue, E> {
                Ok(TestValue::Number(v as f64))
            }
            fn visit_u64<E>(self, v: u64) -> Result<TestValue, E> {
                Ok(TestValue::Number(v as f64))
            }
            fn visit_f64<E>(self, v: f64) -> Result<TestValue, E> {
                Ok(TestValue::Number(v))
            }
            fn visit_str<E>(self, v: &str) -> Result<TestValue, E> {
                Ok(TestValue::Text(v.to_owned()))
            }
            fn visit_seq<A: SeqAccess<'de>>(self, mut seq: A) -> Result<TestValue, A::Error> {
                let mut list = Vec::new();
                while let Some(value) = seq.next_element::<Scalar>()? {
                    list.push(value.0);
                }
                Ok(TestValue::List(list))
            }
            fn visit_map<A: MapAccess<'de>>(self, map: A) -> Result<TestValue, A::Error> {
                #[derive(Deserialize)]
                #[serde(deny_unknown_fields)]
                struct FromRace {
                    race: RaceDate,
                }
                let FromRace { race } = FromRace::deserialize(de::value::MapAccessDeserializer::new(map))?;
                Ok(TestValue::Race { race })
            }
        }
        deserializer.deserialize_any(Any)
    }
}

/// A member of a list, which may not be a list itself.
struct Scalar(TestValue);

impl<'de> Deserialize<'de> for Scalar {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        struct One;
        impl Visitor<'_> for One {
            type Value = Scalar;
            fn expecting(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
                f.write_str("a number or a text")
            }
            fn visit_i64<E>(self, v: i64) -> Result<Scalar, E> {
                Ok(Scalar(TestValue::Number(v as f64)))
            }
            fn visit_u64<E>(self, v: u64) -> Result<Scalar, E> {
                Ok(Scalar(TestValue::Number(v as f64)))
            }
            fn visit_f64<E>(self, v: f64) -> Result<Scalar, E> {
                Ok(Scalar(TestValue::Number(v)))
            }
            fn visit_str<E>(self, v: &str) -> Result<Scalar, E> {
                Ok(Scalar(TestValue::Text(v.to_owned())))
            }
        }
        deserializer.deserialize_any(One)
    }
}
