//! Whether a loadout may still change.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::sync::record::Stored;
use crate::time::Timestamp;
use crate::wire::loadout::LoadoutState;
use crate::wire::seal::SealBody;
use crate::wire::shape;

/// A seal as it counts.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct SealFact {
    /// The seal.
    pub id: Uuid,
    /// When: the person's claim.
    pub sealed_at: Timestamp,
    /// The seal that it replaces.
    pub supersedes: Option<Uuid>,
    /// Whether it is not voided. A suspect time unseals nothing: what was fixed stays fixed.
    pub live: bool,
}

impl SealFact {
    /// From a stored seal.
    #[must_use]
    pub fn of(record: &Stored) -> Option<Self> {
        let body = shape::read::<SealBody>(&record.body).ok()?;
        Some(Self {
            id: record.id,
            sealed_at: body.sealed_at(),
            supersedes: body.supersedes_id.map(Uuid::from),
            live: record.is_live(),
        })
    }
}

/// The state of a loadout, and the seal that fixed it.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct LoadoutStateView {
    /// `sealed` while a seal stands that is neither voided nor replaced.
    pub state: LoadoutState,
    /// The seal that stands; the one of the latest time, then id, when there are several.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub seal_id: Option<Uuid>,
    /// When it was sealed.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sealed_at: Option<Timestamp>,
}

/// Whether a seal stands: it is neither voided nor replaced by one that is not.
#[must_use]
pub fn stands(seal: Uuid, seals: &[SealFact]) -> bool {
    let replaced = seals.iter().any(|other| other.live && other.supersedes == Some(seal));
    !replaced && seals.iter().any(|own| own.live && own.id == seal)
}

/// The state that the seals of one loadout make.
#[must_use]
pub fn loadout_state(seals: &[SealFact]) -> LoadoutStateView {
    let standing = seals.iter().filter(|seal| stands(seal.id, seals));
    match standing.max_by_key(|seal| (seal.sealed_at, seal.id)) {
        None => LoadoutStateView { state: LoadoutState::Draft, seal_id: None, sealed_at: None },
        Some(seal) => LoadoutStateView {
            state: LoadoutState::Sealed,
            seal_id: Some(seal.id),
            sealed_at: Some(seal.sealed_at),
        },
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn loadout_state_is_sealed_while_a_seal_stands() {
        let at: Timestamp = "2026-08-28T04:00:00Z".parse().unwrap();
        let first = SealFact { id: Uuid::from_u128(1), sealed_at: at, supersedes: None, live: true };
        assert_eq!(loadout_state(&[]).state, LoadoutState::Draft);
        assert_eq!(loadout_state(&[first]).seal_id, Some(first.id));
        let void = SealFact { live: false, ..first };
        assert_eq!(loadout_state(&[void]).state, LoadoutState::Draft);
        let second = SealFact { id: Uuid::from_u128(2), supersedes: Some(first.id), ..first };
        assert_eq!(loadout_state(&[first, second]).seal_id, Some(second.id));
    }
}
