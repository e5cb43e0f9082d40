//! What the list reads.

use chrono::NaiveDate;
use uuid::Uuid;

use crate::condition::StateView;
use crate::ids::ItemId;
use crate::mass::ScaleOffset;
use crate::rules::RuleSheet;
use crate::time::Timestamp;
use crate::wear_history::LogFact;
use crate::wire::attention::{AttentionRace, AttentionSubject};
use crate::wire::item::ItemBody;
use crate::wire::loadout::LoadoutEntryBody;
use crate::wire::race::RaceBody;

/// An item of the kitroom.
#[derive(Debug, Clone)]
pub struct ItemSeen {
    /// Its id.
    pub id: ItemId,
    /// Its body.
    pub body: ItemBody,
    /// Its state.
    pub state: StateView,
    /// When it was last weighed, in any condition.
    pub last_weighed_at: Option<Timestamp>,
    /// Units left, for a kind of like units; none when not counted.
    pub stock: Option<i64>,
    /// Its log.
    pub log: Vec<LogFact>,
}

/// A race, with its rules as they are in the kitroom.
#[derive(Debug, Clone)]
pub struct RaceSeen {
    /// Its id.
    pub id: Uuid,
    /// Its body.
    pub body: RaceBody,
    /// Its rule sheet.
    pub rules: Option<RuleSheet>,
}

/// A loadout for a race, with its live entries.
#[derive(Debug, Clone)]
pub struct LoadoutSeen {
    /// Its id.
    pub id: Uuid,
    /// The race.
    pub race_id: Option<Uuid>,
    /// Its entries.
    pub entries: Vec<LoadoutEntryBody>,
}

/// What the check weights of one sitting said.
#[derive(Debug, Clone)]
pub struct CheckedSitting {
    /// When.
    pub at: Timestamp,
    /// What the scale was off by.
    pub offset: ScaleOffset,
}

/// A scale with its sittings that have check readings, in any order.
#[derive(Debug, Clone)]
pub struct ScaleSeen {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// The sittings.
    pub sittings: Vec<CheckedSitting>,
}

/// All that the list is made from.
#[derive(Debug, Clone, Default)]
pub struct AttentionInput {
    /// Items, live ones.
    pub items: Vec<ItemSeen>,
    /// Races.
    pub races: Vec<RaceSeen>,
    /// Loadouts.
    pub loadouts: Vec<LoadoutSeen>,
    /// Scales.
    pub scales: Vec<ScaleSeen>,
}

impl ItemSeen {
    pub(super) fn about(&self) -> AttentionSubject {
        AttentionSubject { kind: "item".into(), id: self.id.into(), name: self.body.name.as_str().into() }
    }
}

/// An upcoming race with what is taken to it.
pub(super) struct Upcoming<'a> {
    pub race: &'a RaceSeen,
    pub starts_at: Timestamp,
    pub ends_at: Timestamp,
    /// The entries of its loadouts.
    pub entries: Vec<&'a LoadoutEntryBody>,
    pub loadouts: Vec<&'a LoadoutSeen>,
}

impl<'a> Upcoming<'a> {
    /// The races that are not over, soonest first. The end is the expected one; the start when none is given.
    pub fn all(input: &'a AttentionInput, now: Timestamp) -> Vec<Self> {
        let mut out: Vec<Self> = input
            .races
            .iter()
            .filter_map(|race| {
                let starts_at = race.body.starts_at?;
                let legs = race.body.legs.iter().flatten();
                let by_leg: Option<Vec<f64>> = legs.map(|leg| Some(leg.expected_h?.value())).collect();
                let hours = match by_leg.filter(|hours| !hours.is_empty()) {
                    Some(hours) => hours.iter().sum(),
                    None => race.body.expected_h.map_or(0.0, |hours| hours.value()),
                };
                let ends = starts_at.millis().saturating_add((hours * 3_600_000.0) as i64);
                let ends_at = Timestamp::from_millis(ends).unwrap_or(starts_at);
                let loadouts: Vec<&LoadoutSeen> =
                    input.loadouts.iter().filter(|one| one.race_id == Some(race.id)).collect();
                let entries = loadouts.iter().flat_map(|one| &one.entries).collect();
                (ends_at >= now).then_some(Self { race, starts_at, ends_at, entries, loadouts })
            })
            .collect();
        out.sort_by_key(|one| (one.starts_at, one.race.id));
        out
    }

    /// A day of the race's own calendar.
    fn day(&self, at: Timestamp) -> NaiveDate {
        let zone = self.race.body.time_zone.as_ref();
        let zone = zone.and_then(|zone| zone.as_str().parse::<chrono_tz::Tz>().ok());
        zone.map_or_else(|| at.utc().date_naive(), |zone| at.utc().with_timezone(&zone).date_naive())
    }

    pub fn starts_on(&self) -> NaiveDate {
        self.day(self.starts_at)
    }

    pub fn ends_on(&self) -> NaiveDate {
        self.day(self.ends_at)
    }

    pub fn named(&self) -> AttentionRace {
        AttentionRace {
            id: self.race.id,
            name: self.race.body.name.as_str().to_owned(),
            starts_on: self.starts_on(),
        }
    }

    pub fn takes(&self, item: ItemId) -> bool {
        self.entries.iter().any(|entry| entry.item_id == item)
    }
}
