//! What deserves a look.

use chrono::NaiveDate;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

/// Why something deserves a look. Open: more reasons may come.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum AttentionReason {
    /// In the set of an upcoming race and may not be used.
    NotUsable,
    /// People disagree about its state.
    StateContested,
    /// Its head may not reach a rule's limit on race day.
    HeadBelowLimit,
    /// A rule sets a head and no test shows it.
    HeadNotTested,
    /// It runs out before an upcoming race ends.
    ExpiresBeforeRace,
    /// It has expired, or will within 30 days.
    Expires,
    /// An upcoming set takes more than there is.
    StockShort,
    /// What was seen of a club's item is too old for the race.
    CopyTooOld,
    /// The burn test of a lamp is too old, or there is none.
    BurnTestOld,
    /// Quarantined or on watch.
    State,
    /// The scale no longer reads what it did.
    ScaleMoved,
    /// Not weighed for a season.
    NotWeighed,
}

/// What a line is about.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AttentionSubject {
    /// `item` or `scale`.
    pub kind: String,
    /// Its id.
    pub id: Uuid,
    /// What it is called.
    pub name: String,
}

/// A race that makes it urgent.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AttentionRace {
    /// The race.
    pub id: Uuid,
    /// What it is called.
    pub name: String,
    /// The day of its start.
    pub starts_on: NaiveDate,
}

/// One thing that deserves a look.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AttentionLine {
    /// Why.
    pub reason: AttentionReason,
    /// What.
    pub about: AttentionSubject,
    /// By which day; absent when no day presses.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub by: Option<NaiveDate>,
    /// The race that presses.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub race: Option<AttentionRace>,
    /// The reason in words, with its numbers.
    pub text: String,
    /// What to do about it.
    pub next: String,
}

/// What deserves a look, the most urgent first.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AttentionView {
    /// The day that it was made for.
    pub on: NaiveDate,
    /// The lines.
    pub lines: Vec<AttentionLine>,
    /// What could not be looked at, and why.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub not_looked_at: Vec<String>,
}
