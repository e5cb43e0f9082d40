//! The verdicts on a loadout: for each rule MET, NOT MET, NOT SHOWN or NOT APPLICABLE.
//!
//! A unit serves one rule unless the rule is shareable. Among all ways of giving units to rules, of choosing options
//! of `any_of`, and of leaving out one of two items that exclude each other, the one is taken that meets most rules,
//! then has most NOT SHOWN rather than NOT MET, then favours rules in the order of the sheet, then items by id. What
//! is retired, quarantined, lent out or expired never counts. What is not known never passes.

mod board;
mod choices;
mod exclusions;
mod flow;
mod notes;
mod pairs;
mod report;
mod search;
mod steady;

use serde::{Deserialize, Serialize};

use super::candidate::{Candidate, Offer, Race};
use super::model::{Evidence, RuleSheet, Scope};
use crate::ids::ItemId;
use board::Board;

/// The verdict on one rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Verdict {
    /// The loadout meets it.
    Met,
    /// It does not.
    NotMet,
    /// It could be met only with what is not known, stale, or too close to the limit.
    NotShown,
    /// The race does not ask for it.
    NotApplicable,
}

impl Verdict {
    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Verdict::Met => "met",
            Verdict::NotMet => "not_met",
            Verdict::NotShown => "not_shown",
            Verdict::NotApplicable => "not_applicable",
        }
    }

    /// As it is printed.
    #[must_use]
    pub fn words(self) -> &'static str {
        match self {
            Verdict::Met => "MET",
            Verdict::NotMet => "NOT MET",
            Verdict::NotShown => "NOT SHOWN",
            Verdict::NotApplicable => "NOT APPLICABLE",
        }
    }
}

/// Units of an item that serve a rule.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Used {
    /// The item.
    pub item_id: ItemId,
    /// How many units.
    pub quantity: u32,
}

/// The verdict on one rule with what it rests on.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct VerdictView {
    /// The rule.
    pub rule_id: String,
    /// The verdict.
    pub verdict: Verdict,
    /// The items that serve it, by id; for a ban that is broken, what breaks it; for a rule that is not met, what
    /// there is towards it.
    pub used: Vec<Used>,
    /// The tested or summed value with the least room, or the number of units.
    pub value: Option<f64>,
    /// What it is compared with.
    pub limit: Option<f64>,
    /// Room to the limit: negative when it is missed.
    pub margin: Option<f64>,
    /// The room in standard uncertainties of the value, when these are known (interval of 95 %).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub margin_u: Option<f64>,
    /// The unit of value, limit and margin.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub unit: Option<String>,
    /// The least that the value may be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub low: Option<f64>,
    /// The most that the value may be.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub high: Option<f64>,
    /// What the value rests on.
    pub evidence: Evidence,
    /// In words.
    pub note: String,
}

/// The verdicts on a loadout.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Verdicts {
    /// In the order of the sheet.
    pub verdicts: Vec<VerdictView>,
    /// [`super::CAUTION`].
    pub caution: String,
}

/// How far a rule gets, worst first.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub(crate) enum Level {
    NotMet,
    NotShown,
    Met,
}

impl From<Level> for Verdict {
    fn from(level: Level) -> Self {
        match level {
            Level::NotMet => Verdict::NotMet,
            Level::NotShown => Verdict::NotShown,
            Level::Met => Verdict::Met,
        }
    }
}

/// A number beside its limit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Measured {
    pub value: f64,
    pub limit: f64,
    /// Whether the limit is one from above.
    pub upper: bool,
    pub unit: &'static str,
    pub low: Option<f64>,
    pub high: Option<f64>,
}

impl Measured {
    pub fn margin(&self) -> f64 {
        if self.upper { self.limit - self.value } else { self.value - self.limit }
    }

    /// The margin over the standard uncertainty that the interval of 95 % stands for.
    pub fn margin_u(&self) -> Option<f64> {
        let u = (self.high? - self.low?) / (2.0 * 1.96);
        (u > 0.0).then(|| self.margin() / u)
    }
}

/// The verdicts of a validated sheet on what is carried.
///
/// `offers` name their items by place in `candidates`. The answer does not depend on the order of either.
#[must_use]
pub fn check(sheet: &RuleSheet, candidates: &[Candidate], offers: &[Offer], race: &Race) -> Verdicts {
    let mut verdicts = on_leg(sheet, candidates, offers, race, 0);
    let moves = offers.iter().any(|o| o.from_leg > 0 || o.to_leg.is_some());
    if moves && sheet.rules.iter().any(|r| looks_at_each_leg(r, Scope::Start)) {
        // A rule of scope `leg` has the verdict of its worst leg, the first of them on equal terms.
        for leg in 1..race.legs() {
            let here = on_leg(sheet, candidates, offers, race, leg);
            for ((rule, now), here) in sheet.rules.iter().zip(&mut verdicts).zip(here) {
                if looks_at_each_leg(rule, Scope::Start) && badness(here.verdict) > badness(now.verdict) {
                    *now = here;
                    now.note = format!("on leg {}: {}", leg + 1, now.note);
                }
            }
        }
    }
    Verdicts { verdicts, caution: super::CAUTION.to_owned() }
}

fn on_leg(
    sheet: &RuleSheet,
    candidates: &[Candidate],
    offers: &[Offer],
    race: &Race,
    leg: usize,
) -> Vec<VerdictView> {
    let board = Board::new(&sheet.rules, candidates, offers, race, leg);
    let (choices, chosen) = exclusions::resolve(&board);
    report::report(&board, &choices, &chosen)
}

fn looks_at_each_leg(rule: &super::model::Rule, around: Scope) -> bool {
    let scope = rule.scope.unwrap_or(around);
    match &rule.need {
        super::model::Need::AnyOf { options } => {
            options.iter().flatten().any(|r| looks_at_each_leg(r, scope))
        }
        _ => scope == Scope::Leg,
    }
}

fn badness(verdict: Verdict) -> u8 {
    match verdict {
        Verdict::NotMet => 2,
        Verdict::NotShown => 1,
        Verdict::Met | Verdict::NotApplicable => 0,
    }
}
