//! A race's kit rules as data, and the verdict on a loadout.
//!
//! - [`model`]: the rule sheet; [`flat`] is its form on the wire.
//! - [`attributes`]: the registry of what a rule may test.
//! - [`candidate`]: what is known of an item, of an entry of a loadout and of the race.
//! - [`parse_json`], [`parse_toml`] and [`validate()`]: from text to a sheet, or the places that are wrong.
//! - [`diff()`]: what changed between two editions.
//! - [`alternatives()`]: a rule as a choice between sets of simple needs.
//! - [`eligibility()`]: whether one item can serve one simple need: yes, unknown or no, with the reason.
//! - [`check()`]: the verdicts on a loadout.
//!
//! Meeting a list is not being safe: see [`CAUTION`].

pub mod alternatives;
pub mod attributes;
pub mod candidate;
pub mod check;
pub mod diff;
pub mod eligibility;
pub mod flat;
pub mod model;
pub mod parse;
pub mod place;
pub mod schema;
pub mod validate;
pub mod words;

pub use alternatives::{Leaf, alternatives};
pub use candidate::{Bounded, Candidate, Fact, Offer, Race, Unfit, Value};
pub use check::{Used, Verdict, VerdictView, Verdicts, check};
pub use diff::{Change, diff};
pub use eligibility::{Eligibility, Eligible, eligibility};
pub use model::{Evidence, Need, Op, Per, Rule, RuleSheet, Scope, Test, TestValue};
pub use parse::{parse_json, parse_toml};
pub use validate::{Problem, validate};

/// Shown wherever verdicts are shown.
pub const CAUTION: &str = "Meeting a list is not being safe. The organiser's rules and stop decisions, local law \
     and mountain rescue come first. What is missing, stale or too close to a limit is NOT SHOWN, never a pass.";
