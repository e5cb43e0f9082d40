//! The state of an item, from its state events.
//!
//! Clocks order nothing here: each state event names those that its author saw as the latest. What nobody names is a
//! head. Two people who judge the same item offline leave two heads; the more restrictive one holds until a person
//! has looked.

use std::collections::{BTreeSet, HashSet};

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::sync::record::Stored;
use crate::wire::log_entry::{ItemState, LogEntryBody, LogEvent};
use crate::wire::shape;

/// A log entry that sets the state.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct StateEvent {
    /// The entry.
    pub id: Uuid,
    /// What happened.
    pub event: LogEvent,
    /// The state that it sets.
    pub sets: ItemState,
    /// The entries that its author saw as the latest.
    pub after: Vec<Uuid>,
    /// The entry that it replaces.
    pub supersedes: Option<Uuid>,
    /// Whether it counts by itself: neither voided nor of a suspect time.
    pub usable: bool,
}

impl StateEvent {
    /// From a stored log entry; `None` for an event that sets no state.
    #[must_use]
    pub fn of(record: &Stored) -> Option<Self> {
        let body = shape::read::<LogEntryBody>(&record.body).ok()?;
        Some(Self {
            id: record.id,
            event: body.event,
            sets: body.event.sets()?,
            after: body.after.unwrap_or_default().into_iter().map(Uuid::from).collect(),
            supersedes: body.supersedes_id.map(Uuid::from),
            usable: record.is_live() && !record.time_suspect,
        })
    }
}

/// The state of an item, and what it rests on.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct StateView {
    /// The state: that of the most restrictive head; serviceable without any.
    pub state: ItemState,
    /// The state events that stand now, in the order of their ids.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub state_heads: Vec<Uuid>,
    /// Whether they disagree, so that a person should look.
    #[serde(default, skip_serializing_if = "std::ops::Not::not")]
    pub state_contested: bool,
}

/// The state that the events of one item make, in whatever order they are given.
#[must_use]
pub fn item_state(events: &[StateEvent]) -> StateView {
    let superseded: HashSet<Uuid> =
        events.iter().filter(|event| event.usable).filter_map(|event| event.supersedes).collect();
    let standing: Vec<&StateEvent> =
        events.iter().filter(|event| event.usable && !superseded.contains(&event.id)).collect();
    let named: HashSet<Uuid> =
        standing.iter().flat_map(|event| event.after.iter().copied().filter(|id| *id != event.id)).collect();
    let heads: Vec<&StateEvent> = standing.into_iter().filter(|event| !named.contains(&event.id)).collect();
    let states: BTreeSet<ItemState> = heads.iter().map(|event| event.sets).collect();
    let mut state_heads: Vec<Uuid> = heads.iter().map(|event| event.id).collect();
    state_heads.sort_unstable();
    StateView {
        state: states.iter().next_back().copied().unwrap_or(ItemState::Serviceable),
        state_heads,
        state_contested: states.len() > 1,
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn event(id: u128, event: LogEvent, after: &[u128]) -> StateEvent {
        StateEvent {
            id: Uuid::from_u128(id),
            event,
            sets: event.sets().unwrap(),
            after: after.iter().map(|id| Uuid::from_u128(*id)).collect(),
            supersedes: None,
            usable: true,
        }
    }

    #[test]
    fn item_state_follows_the_heads_not_the_clock() {
        assert_eq!(item_state(&[]).state, ItemState::Serviceable);
        let quarantine = event(1, LogEvent::Quarantine, &[]);
        let clear = event(2, LogEvent::Clear, &[1]);
        assert_eq!(item_state(std::slice::from_ref(&quarantine)).state, ItemState::Quarantined);
        assert_eq!(item_state(&[clear.clone(), quarantine.clone()]).state, ItemState::Serviceable);
        // Somebody else retired it without having seen the clearing.
        let retire = event(3, LogEvent::Retire, &[1]);
        let both = item_state(&[retire, clear.clone(), quarantine.clone()]);
        assert_eq!(both.state, ItemState::Retired);
        assert!(both.state_contested);
        assert_eq!(both.state_heads, [Uuid::from_u128(2), Uuid::from_u128(3)]);
        // Voiding a head brings back what it named.
        let void = StateEvent { usable: false, ..clear };
        assert_eq!(item_state(&[quarantine, void]).state, ItemState::Quarantined);
    }

    #[test]
    fn item_state_a_superseded_event_neither_stands_nor_names() {
        let watch = event(1, LogEvent::Watch, &[]);
        let wrong = event(2, LogEvent::Retire, &[1]);
        let right = StateEvent { supersedes: Some(wrong.id), ..event(3, LogEvent::Quarantine, &[1]) };
        assert_eq!(item_state(&[watch, wrong, right]).state, ItemState::Quarantined);
    }

    proptest! {
        #[test]
        fn item_state_does_not_hang_on_the_order(seed in proptest::collection::vec((0u128..8, 0usize..5, 0u128..8), 0..8), turn in 0usize..8) {
            let all = [LogEvent::Quarantine, LogEvent::Clear, LogEvent::Watch, LogEvent::Retire, LogEvent::Reinstate];
            let mut events: Vec<StateEvent> = seed.iter().map(|(id, which, after)| event(*id, all[*which], &[*after])).collect();
            events.sort_by_key(|event| event.id);
            events.dedup_by_key(|event| event.id);
            let before = item_state(&events);
            if !events.is_empty() {
                let at = turn % events.len();
                events.rotate_left(at);
            }
            prop_assert_eq!(item_state(&events), before);
        }
    }
}
