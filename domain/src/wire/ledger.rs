//! A ledger: why one sealed set weighs more or less than another, line by line.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::item::ItemKind;
use crate::ids::ItemId;
use crate::time::Timestamp;

/// What a ledger stands between. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum LedgerSideKind {
    /// One sealed loadout.
    Loadout,
    /// The mean of a season's sealed loadouts.
    Season,
}

/// What a ledger weighs. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum LedgerScope {
    /// What is in the hand and stowed at the start.
    #[default]
    Carried,
    /// That, and what is on the body.
    Total,
}

/// One total of one race.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct RaceTotal {
    /// The loadout.
    pub loadout_id: Uuid,
    /// What it is called.
    pub name: String,
    /// When it was sealed.
    pub sealed_at: Timestamp,
    /// Its mass in grams, over the lines whose masses are known on both sides of the ledger.
    pub known_g: f64,
}

/// One side of a ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LedgerSide {
    /// A loadout or a season.
    pub kind: LedgerSideKind,
    /// Its id.
    pub id: Uuid,
    /// What it is called.
    pub name: String,
    /// How many sealed loadouts it rests on.
    pub n: u32,
    /// Its mass in grams (the mean for a season), to the milligram, over the lines that are known.
    pub known_g: f64,
    /// The day of the first seal.
    pub first_on: NaiveDate,
    /// The day of the last seal.
    pub last_on: NaiveDate,
    /// Each sealed loadout's total, oldest first.
    pub races: Vec<RaceTotal>,
}

/// Which part of a change a line belongs to. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum LedgerPartKind {
    /// One thing went, another of its kind came.
    Swapped,
    /// Left out, and nothing of its kind came.
    Dropped,
    /// Came, and nothing of its kind went.
    Added,
    /// Still in the set, and no longer (or only now) among what is weighed: put on the body, or into a drop bag.
    Moved,
    /// The same thing, weighing more or less than it did.
    HeavierOrLighter,
    /// The same thing, more or fewer of it; between seasons also in more or fewer of the races.
    MoreOrFewer,
    /// Food, drink mix and water.
    Expendables,
}

/// One line.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LedgerLine {
    /// Which part it belongs to, or would if its masses were known.
    pub part: LedgerPartKind,
    /// The thing before; absent for what came, and for water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before_item_id: Option<ItemId>,
    /// The thing after; absent for what went, and for water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after_item_id: Option<ItemId>,
    /// The kind; absent for water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub kind: Option<ItemKind>,
    /// What a person reads: "shell A -> shell B", "gel".
    pub name: String,
    /// Units before: a mean over a season's loadouts. 0 for what came; absent for water.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before_units: Option<f64>,
    /// Units after.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after_units: Option<f64>,
    /// All its units before, in grams; absent when not known. A mean over a season's loadouts.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub before_g: Option<f64>,
    /// All its units after, in grams; absent when not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub after_g: Option<f64>,
    /// What the line adds to the set, in grams, to the milligram; absent when a mass is not known.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change_g: Option<f64>,
    /// Its standard uncertainty in grams; absent when a mass rests on a label.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change_u_g: Option<f64>,
    /// What is assumed or missing, in words.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
}

/// One part of a change.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LedgerPart {
    /// Which.
    pub part: LedgerPartKind,
    /// The sum of its lines, in grams.
    pub change_g: f64,
    /// Its lines, the greatest change first.
    pub lines: Vec<LedgerLine>,
}

/// How a standard uncertainty of a sum was come by. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum SharedErrors {
    /// As if every mass had errors of its own: the larger figure here.
    Independent,
    /// As if all errors were one scale's, the same way for every mass: the larger figure here.
    OneScale,
}

/// A difference of two means with its test (Welch).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct WelchView {
    /// Later mean less earlier mean, in grams.
    pub difference_g: f64,
    /// Lower end of its interval, in grams.
    pub low_g: f64,
    /// Upper end.
    pub high_g: f64,
    /// Level of the interval.
    pub level: f64,
    /// The t statistic.
    pub t: f64,
    /// Degrees of freedom (Welch and Satterthwaite).
    pub dof: f64,
    /// Two-sided p value.
    pub p: f64,
}

/// The same things in both seasons, one by one.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PairedView {
    /// How many things are in both, with known masses.
    pub n: u32,
    /// Mean of later less earlier mass of one unit, in grams.
    pub difference_g: f64,
    /// Lower end of its interval.
    pub low_g: f64,
    /// Upper end.
    pub high_g: f64,
    /// Level of the interval.
    pub level: f64,
    /// Two-sided p value of the paired t test.
    pub p: f64,
    /// Two-sided p value of Wilcoxon's signed-rank test.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub p_signed_rank: Option<f64>,
    /// How many pairs differ at all, which is what that test counts.
    pub n_changed: u32,
}

/// What is said of two seasons beside the split.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SeasonStatistics {
    /// Race totals of one season against the other's; absent with the reason below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub totals: Option<WelchView>,
    /// Why there is no test of the totals.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_no_totals: Option<String>,
    /// Things that are in both seasons; absent with the reason below.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub same_things: Option<PairedView>,
    /// Why there is no test of the same things.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub why_no_same_things: Option<String>,
}

/// A ledger.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LedgerView {
    /// Before.
    pub from: LedgerSide,
    /// After.
    pub to: LedgerSide,
    /// What is weighed.
    pub scope: LedgerScope,
    /// After less before, in grams, to the milligram, over the lines that are known.
    pub change_g: f64,
    /// Its standard uncertainty from the weighings, in grams; absent when no line has one. It says nothing of how
    /// much one race differs from the next.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change_u_g: Option<f64>,
    /// Which assumption about shared errors gave it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub change_u_by: Option<SharedErrors>,
    /// The parts, which add up to the change to the milligram.
    pub parts: Vec<LedgerPart>,
    /// The change less all parts, in grams: 0, since the parts are whole milligrams of one sum.
    pub unexplained_g: f64,
    /// How many lines the change runs over.
    pub lines_known: u32,
    /// Things on both sides that neither changed in mass nor in number.
    pub unchanged: u32,
    /// How many lines have no uncertainty: a mass rests on a label, or water on what was filled in.
    pub lines_without_u: u32,
    /// Lines with a mass that is not known; in no sum.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub unknown: Vec<LedgerLine>,
    /// Statistics, when a side is a season.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub statistics: Option<SeasonStatistics>,
    /// The ledger in plain words, the main thing first.
    pub sentences: Vec<String>,
    /// What is assumed.
    pub assumptions: Vec<String>,
}
