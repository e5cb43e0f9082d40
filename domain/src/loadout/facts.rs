//! What is known of a loadout.

use std::collections::{BTreeMap, BTreeSet};

use crate::ids::{ItemId, KitroomId, LoadoutEntryId, LoadoutId, PocketId, RaceId, RuleSheetId};
use crate::time::Timestamp;
use crate::wear_history::LogFact;
use crate::wire::item::ItemBody;
use crate::wire::loadout::{LoadoutBody, LoadoutEntryBody, SeenItem};
use crate::wire::log_entry::ItemState;
use crate::wire::mass::ItemMass;
use crate::wire::pocket::PocketBody;
use crate::wire::race::RaceBody;
use crate::wire::rule_sheet::RuleSheetBody;

/// An item of the loadout's own kitroom, by what was observed until `as_of`.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownItem {
    /// Its fields.
    pub body: ItemBody,
    /// Whether the record is deleted.
    pub deleted: bool,
    /// The mass of one unit, with its parts ([`ItemMass::mass_parts`]).
    pub mass: ItemMass,
    /// Whether it may be used.
    pub state: ItemState,
    /// Units left, for a kind of like units; none when never bought or counted.
    pub stock: Option<i64>,
    /// Its log entries that stand (neither voided, replaced nor of a suspect time), in order of time.
    pub log: Vec<LogFact>,
}

/// A rule sheet as it is judged by.
#[derive(Debug, Clone, PartialEq)]
pub struct KnownSheet {
    /// The record.
    pub id: RuleSheetId,
    /// Its version.
    pub version: i64,
    /// What is stored.
    pub body: RuleSheetBody,
}

/// An item of another kitroom that the lightest set may take.
#[derive(Debug, Clone, PartialEq)]
pub struct OfferedItem {
    /// The item.
    pub item_id: ItemId,
    /// Its kitroom.
    pub kitroom_id: KitroomId,
    /// What is seen of it now.
    pub seen: SeenItem,
}

/// All that the numbers of one loadout hang on.
#[derive(Debug, Clone, PartialEq)]
pub struct LoadoutFacts {
    /// The loadout.
    pub loadout_id: LoadoutId,
    /// What is stored of it.
    pub loadout: LoadoutBody,
    /// Its lines; their order does not matter.
    pub entries: Vec<(LoadoutEntryId, LoadoutEntryBody)>,
    /// The items of its own kitroom that the lines name; for the lightest set, all that may be taken.
    pub items: BTreeMap<ItemId, KnownItem>,
    /// The pockets that the lines name; for the lightest set and for findings, all of the vests and bags.
    pub pockets: BTreeMap<PocketId, PocketBody>,
    /// Its race.
    pub race: Option<(RaceId, RaceBody)>,
    /// The race's rule sheet.
    pub sheet: Option<KnownSheet>,
    /// The foreign kitrooms of which the loadout's owner is a member now.
    pub member_of: BTreeSet<KitroomId>,
    /// The instant that is asked about: only what was observed by then is in here, and ages count to it.
    pub as_of: Timestamp,
}

impl LoadoutFacts {
    /// The time zone of the race's days.
    #[must_use]
    pub fn zone(&self) -> Option<&str> {
        self.race.as_ref().and_then(|(_, race)| race.time_zone.as_ref()).map(|zone| zone.as_str())
    }
}
