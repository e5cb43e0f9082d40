//! From stored records to facts.

use std::collections::{BTreeMap, BTreeSet, HashMap, HashSet};

use serde::de::DeserializeOwned;
use uuid::Uuid;

use super::facts::{KnownItem, KnownSheet, LoadoutFacts};
use crate::condition::{Movement, StateEvent, item_state, stock_left};
use crate::ids::KitroomId;
use crate::mass::Evidence;
use crate::sync::record::Stored;
use crate::time::Timestamp;
use crate::wear_history::LogFact;
use crate::wire::loadout::{LoadoutBody, LoadoutEntryBody};
use crate::wire::mass::{ItemMass, MassBasis};
use crate::wire::pocket::PocketBody;
use crate::wire::shape;

/// A stored record that does not read as its kind.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error("the {kind} {id} cannot be read")]
pub struct UnreadableRecord {
    /// The kind.
    pub kind: &'static str,
    /// The record.
    pub id: Uuid,
}

/// The stored records of one loadout. Deleted and voided ones may be among them; the order does not matter. What does
/// not read as its kind is left out, but for the loadout itself.
#[derive(Debug, Clone)]
pub struct LoadoutRecords<'a> {
    /// The loadout.
    pub loadout: &'a Stored,
    /// Its lines.
    pub entries: &'a [Stored],
    /// Items of its own kitroom, the deleted ones that lines name included.
    pub items: &'a [Stored],
    /// By item: its mass by what was observed until `as_of`. An item without one has the mass of its label.
    pub masses: &'a HashMap<Uuid, ItemMass>,
    /// Log entries of these items.
    pub log_entries: &'a [Stored],
    /// Stock entries of these items.
    pub stock_entries: &'a [Stored],
    /// Pockets of the kitroom.
    pub pockets: &'a [Stored],
    /// The loadout's race.
    pub race: Option<&'a Stored>,
    /// The race's rule sheet.
    pub sheet: Option<&'a Stored>,
    /// The foreign kitrooms of which the loadout's owner is a member now.
    pub member_of: BTreeSet<KitroomId>,
    /// Only what was observed by then counts.
    pub as_of: Timestamp,
}

/// The ids that facts still standing replace.
#[must_use]
pub fn superseded(facts: &[Stored]) -> HashSet<Uuid> {
    Evidence::superseded(facts)
}

/// One item from its record and those of its log and stock; `superseded` holds the ids that other facts replace.
#[must_use]
pub fn known_item(
    item: &Stored,
    mass: Option<&ItemMass>,
    log: &[&Stored],
    stock: &[&Stored],
    superseded: &HashSet<Uuid>,
    as_of: Timestamp,
) -> Option<KnownItem> {
    let body: crate::wire::item::ItemBody = shape::read(&item.body).ok()?;
    let mut entries: Vec<LogFact> = Vec::with_capacity(log.len());
    let mut events = Vec::new();
    for record in log {
        let Some(fact) = LogFact::from_record(record, superseded) else { continue };
        if fact.body.observed_at > as_of {
            continue;
        }
        events.extend(StateEvent::of(record));
        if !fact.set_aside {
            entries.push(fact);
        }
    }
    entries.sort_by_key(|fact| (fact.body.observed_at, fact.id));
    let movements: Vec<Movement> = stock.iter().filter_map(|record| Movement::of(record)).collect();
    let label = || ItemMass {
        mass_g: body.label_mass_g.map(|mass| mass.value()),
        mass_basis: if body.label_mass_g.is_some() { MassBasis::Label } else { MassBasis::None },
        ..ItemMass::unknown()
    };
    Some(KnownItem {
        deleted: item.deleted,
        mass: mass.cloned().unwrap_or_else(label),
        state: item_state(&events).state,
        stock: stock_left(&movements, Some(as_of)).stock,
        log: entries,
        body,
    })
}

fn read<T: DeserializeOwned>(record: Option<&Stored>) -> Option<(Uuid, i64, T)> {
    let record = record.filter(|record| record.is_live())?;
    Some((record.id, record.version, shape::read(&record.body).ok()?))
}

fn by_item(records: &[Stored]) -> HashMap<Uuid, Vec<&Stored>> {
    let mut of: HashMap<Uuid, Vec<&Stored>> = HashMap::new();
    for record in records {
        if let Some(item) = crate::kinds::reference_id(&record.body, "item_id") {
            of.entry(item).or_default().push(record);
        }
    }
    of
}

fn of_item<'a>(all: &'a HashMap<Uuid, Vec<&'a Stored>>, id: Uuid) -> &'a [&'a Stored] {
    all.get(&id).map_or(&[], Vec::as_slice)
}

impl LoadoutRecords<'_> {
    /// The facts.
    ///
    /// # Errors
    /// [`UnreadableRecord`] when the loadout itself cannot be read.
    pub fn facts(&self) -> Result<LoadoutFacts, UnreadableRecord> {
        let unreadable = UnreadableRecord { kind: "loadout", id: self.loadout.id };
        let loadout_id = crate::ids::LoadoutId::new(self.loadout.id).map_err(|_| unreadable.clone())?;
        let loadout: LoadoutBody = shape::read(&self.loadout.body).map_err(|_| unreadable)?;
        let mut entries = Vec::with_capacity(self.entries.len());
        for record in self.entries.iter().filter(|record| record.is_live()) {
            let (Ok(id), Ok(body)) = (record.id.try_into(), shape::read::<LoadoutEntryBody>(&record.body))
            else {
                continue;
            };
            entries.push((id, body));
        }
        let superseded = superseded(self.log_entries);
        let (log, stock) = (by_item(self.log_entries), by_item(self.stock_entries));
        let mut items = BTreeMap::new();
        for record in self.items {
            let mass = self.masses.get(&record.id);
            let (log, stock) = (of_item(&log, record.id), of_item(&stock, record.id));
            if let (Ok(id), Some(item)) =
                (record.id.try_into(), known_item(record, mass, log, stock, &superseded, self.as_of))
            {
                items.insert(id, item);
            }
        }
        let pocket = |record: &Stored| {
            Some((record.id.try_into().ok()?, shape::read::<PocketBody>(&record.body).ok()?))
        };
        let race = read(self.race).and_then(|(id, _, body)| Some((id.try_into().ok()?, body)));
        let sheet = read(self.sheet)
            .and_then(|(id, version, body)| Some(KnownSheet { id: id.try_into().ok()?, version, body }));
        Ok(LoadoutFacts {
            loadout_id,
            loadout,
            entries,
            items,
            pockets: self.pockets.iter().filter(|record| record.is_live()).filter_map(pocket).collect(),
            race,
            sheet,
            member_of: self.member_of.clone(),
            as_of: self.as_of,
        })
    }
}
