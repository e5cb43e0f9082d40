//! The lightest set of items that meets every rule and fits into the pockets, proven.
mod blame;
mod branching;
mod dominance;
mod fill;
mod fit;
mod flow;
mod from_rules;
pub mod kit_like;
mod limits;
mod lp;
mod model;
mod network;
mod pack;
mod problem;
mod reasons;
mod rule_needs;
mod search;
mod shadow;
mod solve;

pub use from_rules::{
    KitCandidate, LightestSet, Question, SetEntry, SetReason, lightest_set, locked_place, offers,
};
pub use limits::Limits;
pub use problem::{
    Container, Item, Lock, LockedPlace, MAX_DEPTH, Need, PairGroup, Place, Pocket, Problem, ProblemError,
    Reach, Requirement,
};
pub use reasons::{Reason, reasons};
pub use solve::{Answer, Chosen, Service, Status, solve};
