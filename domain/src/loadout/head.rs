//! When a garment's head is asked for.

use crate::time::Timestamp;
use crate::wear_history::{HeadKnown, LogFact, head_on};
use crate::wire::item::ItemBody;

/// When a head is asked for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct When {
    /// Facts observed by then.
    pub as_of: Timestamp,
    /// The day of the race.
    pub on: Timestamp,
}

/// The head as verdicts read it; see [`crate::wear_history::HeadOn::known`].
pub(super) fn head(body: &ItemBody, log: &[LogFact], when: When) -> Option<HeadKnown> {
    head_on(body, log, when.as_of, when.on).known()
}
