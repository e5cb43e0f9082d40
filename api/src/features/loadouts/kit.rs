//! What was read, as the numbers take it: each item is read once, whatever the number of loadouts that it lies in.

use std::collections::{BTreeMap, BTreeSet, HashMap};

use domain::ids::{ItemId, KitroomId, LoadoutEntryId, LoadoutId, PocketId, RaceId, RuleSheetId};
use domain::loadout::{KnownItem, KnownSheet, LoadoutFacts, known_item, superseded};
use domain::sync::record::Stored;
use domain::time::Timestamp;
use domain::wire::loadout::{LoadoutBody, LoadoutEntryBody};
use domain::wire::mass::ItemMass;
use domain::wire::pocket::PocketBody;
use domain::wire::race::RaceBody;
use domain::wire::rule_sheet::RuleSheetBody;
use uuid::Uuid;

use super::load::Records;
use crate::features::records::gathered::{Found, Gathered};
use crate::platform::error::ApiError;

/// The kit of one kitroom, as far as it was read.
pub struct Kit {
    items: BTreeMap<ItemId, KnownItem>,
    pockets: BTreeMap<PocketId, PocketBody>,
    races: HashMap<Uuid, (RaceId, RaceBody)>,
    sheets: HashMap<Uuid, KnownSheet>,
    loadouts: BTreeMap<Uuid, Lines>,
    member_of: BTreeMap<Uuid, BTreeSet<KitroomId>>,
    as_of: Timestamp,
}

/// A loadout with its lines.
struct Lines {
    id: LoadoutId,
    owner: Uuid,
    body: LoadoutBody,
    entries: Vec<(LoadoutEntryId, LoadoutEntryBody)>,
}

fn id<T: TryFrom<Uuid>>(id: Uuid) -> Result<T, ApiError>
where
    T::Error: std::fmt::Display,
{
    T::try_from(id).map_err(|error| ApiError::internal("a stored id is none of ours", error))
}

/// Items with what their facts say, by what was observed until `as_of`. `masses` go before those that were read.
///
/// # Errors
/// `internal` for what cannot be read.
pub fn known_items(
    records: &Gathered,
    masses: Option<&HashMap<Uuid, ItemMass>>,
    as_of: Timestamp,
) -> Result<BTreeMap<ItemId, KnownItem>, ApiError> {
    let (log, stock) = (records.stored("log_entry")?, records.stored("stock_entry")?);
    let replaced = superseded(&log);
    let (log, stock) = (by_item(&log), by_item(&stock));
    let none = Vec::new();
    let mut items = BTreeMap::new();
    for found in records.kind("item") {
        let item = found.stored()?;
        let now: Option<ItemMass>;
        let mass = match masses {
            Some(masses) => masses.get(&item.id),
            None => {
                now = found.derived()?;
                now.as_ref()
            }
        };
        let log = log.get(&item.id).unwrap_or(&none);
        let stock = stock.get(&item.id).unwrap_or(&none);
        if let Some(known) = known_item(&item, mass, log, stock, &replaced, as_of) {
            items.insert(id(item.id)?, known);
        }
    }
    Ok(items)
}

fn by_item(records: &[Stored]) -> HashMap<Uuid, Vec<&Stored>> {
    let mut of: HashMap<Uuid, Vec<&Stored>> = HashMap::new();
    for record in records {
        if let Some(item) = domain::kinds::reference_id(&record.body, "item_id") {
            of.entry(item).or_default().push(record);
        }
    }
    of
}

impl Kit {
    /// From what was read. `masses` go before those that were read.
    ///
    /// # Errors
    /// `internal` for what cannot be read.
    pub fn new(
        records: Records,
        masses: Option<&HashMap<Uuid, ItemMass>>,
        as_of: Timestamp,
    ) -> Result<Self, ApiError> {
        let Records { gathered: records, member_of } = records;
        let items = known_items(&records, masses, as_of)?;
        let mut loadouts = BTreeMap::new();
        for found in records.kind("loadout") {
            let lines = Lines {
                id: id(found.id())?,
                owner: found.created_by(),
                body: found.body()?,
                entries: Vec::new(),
            };
            loadouts.insert(found.id(), lines);
        }
        for found in records.kind("loadout_entry") {
            let entry: LoadoutEntryBody = found.body()?;
            if let Some(lines) = loadouts.get_mut(&entry.loadout_id.uuid()) {
                lines.entries.push((id(found.id())?, entry));
            }
        }
        let pocket = |found: &Found| Ok::<_, ApiError>((id(found.id())?, found.body()?));
        let race = |found: &Found| Ok::<_, ApiError>((found.id(), (id(found.id())?, found.body()?)));
        let sheet = |found: &Found| {
            let body: RuleSheetBody = found.body()?;
            let id: RuleSheetId = id(found.id())?;
            Ok::<_, ApiError>((found.id(), KnownSheet { id, version: found.version(), body }))
        };
        Ok(Self {
            items,
            pockets: records.kind("pocket").iter().map(pocket).collect::<Result<_, _>>()?,
            races: records.kind("race").iter().map(race).collect::<Result<_, _>>()?,
            sheets: records.kind("rule_sheet").iter().map(sheet).collect::<Result<_, _>>()?,
            loadouts,
            member_of,
            as_of,
        })
    }

    /// The account that made a loadout.
    #[must_use]
    pub fn owner(&self, loadout: Uuid) -> Option<Uuid> {
        self.loadouts.get(&loadout).map(|lines| lines.owner)
    }

    /// What the numbers of a loadout hang on: the items that its lines name, or all that were read.
    ///
    /// # Errors
    /// `not-found` for one that was not read.
    pub fn facts(&self, loadout: Uuid, all_items: bool) -> Result<LoadoutFacts, ApiError> {
        let lines = self.loadouts.get(&loadout).ok_or_else(ApiError::not_found)?;
        let race = lines.body.race_id.and_then(|race| self.races.get(&race.uuid()));
        let sheet = race.and_then(|(_, race)| race.rule_sheet_id).and_then(|id| self.sheets.get(&id.uuid()));
        let items = if all_items {
            self.items.clone()
        } else {
            let named = lines.entries.iter().map(|(_, entry)| entry.item_id);
            named.filter_map(|id| Some((id, self.items.get(&id)?.clone()))).collect()
        };
        Ok(LoadoutFacts {
            loadout_id: lines.id,
            loadout: lines.body.clone(),
            entries: lines.entries.clone(),
            items,
            pockets: self.pockets.clone(),
            race: race.cloned(),
            sheet: sheet.cloned(),
            member_of: self.member_of.get(&lines.owner).cloned().unwrap_or_default(),
            as_of: self.as_of,
        })
    }
}
