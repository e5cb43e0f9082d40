//! What deserves a look, with the reason and the day: a list for a quiet evening weeks before a race, not an alarm.
//!
//! It decides nothing: verdicts do. Whatever could not be looked at is named.

mod heads;
mod kit;
mod list;
mod races;
mod scales;

pub use kit::{AttentionInput, CheckedSitting, ItemSeen, LoadoutSeen, RaceSeen, ScaleSeen};
pub use list::attention;
