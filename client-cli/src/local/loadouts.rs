//! Loadouts: their lines, their state, and the facts that their numbers rest on.

use std::collections::{BTreeSet, HashMap, HashSet};

use domain::condition::{LoadoutStateView, SealFact, loadout_state};
use domain::ids::KitroomId;
use domain::kinds::{self, Kind};
use domain::loadout::{LoadoutFacts, LoadoutRecords, OfferedItem, known_item, see, superseded};
use domain::sync::record::Stored;
use domain::wire::loadout::{LoadoutEntryBody, SeenItem};
use domain::wire::mass::ItemMass;
use domain::wire::shape;
use uuid::Uuid;

use super::{Kitroom, Store};
use crate::error::{Error, Result};

/// A line of a loadout.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The record.
    pub id: Uuid,
    /// What is stored of it.
    pub body: LoadoutEntryBody,
}

/// How much of a kitroom the facts hold.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Reach {
    /// The items that the loadout names.
    Lines,
    /// Every item, for the lightest set.
    Everything,
}

fn setting(room: Uuid) -> String {
    format!("loadout:{room}")
}

impl Store {
    /// The live lines of a loadout, in the order in which they were put in.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn loadout_entries(&self, room: Uuid, loadout: Uuid) -> Result<Vec<Entry>> {
        let lines = self.referring(room, &kinds::loadout_entry::KIND, "loadout_id", ("loadout", loadout))?;
        let lines = lines.into_iter().filter(Stored::is_live);
        Ok(lines
            .filter_map(|line| Some(Entry { id: line.id, body: shape::read(&line.body).ok()? }))
            .collect())
    }

    /// Whether a loadout may still change.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn loadout_state(&self, room: Uuid, loadout: Uuid) -> Result<LoadoutStateView> {
        let seals = self.referring(room, &kinds::seal::KIND, "loadout_id", ("loadout", loadout))?;
        Ok(loadout_state(&seals.iter().filter_map(SealFact::of).collect::<Vec<_>>()))
    }

    /// The loadout that is being worked on.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn current_loadout(&self, room: Uuid) -> Result<Option<Stored>> {
        let chosen = self.setting(&setting(room))?.and_then(|text| Uuid::parse_str(&text).ok());
        let Some(chosen) = chosen else { return Ok(None) };
        Ok(self.record(room, &kinds::loadout::KIND, chosen)?.filter(Stored::is_live))
    }

    /// Works on this loadout from now on.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn use_loadout(&self, room: Uuid, loadout: Uuid) -> Result<()> {
        self.set_setting(&setting(room), Some(&loadout.to_string()))
    }

    /// The facts that the numbers of a loadout rest on, as they are known on this device now.
    ///
    /// # Errors
    /// When the store cannot be read, or a later version has written the loadout.
    pub fn loadout_facts(&mut self, room: &Kitroom, loadout: &Stored, reach: Reach) -> Result<LoadoutFacts> {
        self.freshen(room.id)?;
        let as_of = self.env().now();
        let entries =
            self.referring(room.id, &kinds::loadout_entry::KIND, "loadout_id", ("loadout", loadout.id))?;
        let items = match reach {
            Reach::Everything => self.records(room.id, &kinds::item::KIND)?,
            Reach::Lines => {
                let named: BTreeSet<Uuid> = entries
                    .iter()
                    .filter(|entry| entry.is_live() && !entry.body.contains_key("item_kitroom_id"))
                    .filter_map(|entry| kinds::reference_id(&entry.body, "item_id"))
                    .collect();
                self.all_of(room.id, &kinds::item::KIND, named)?
            }
        };
        let (mut log_entries, mut stock_entries, mut masses) = (Vec::new(), Vec::new(), HashMap::new());
        for item in &items {
            log_entries.extend(self.facts_of(room.id, &kinds::log_entry::KIND, item.id)?);
            stock_entries.extend(self.facts_of(room.id, &kinds::stock_entry::KIND, item.id)?);
            masses.extend(self.mass(room.id, item.id)?.map(|mass| (item.id, mass)));
        }
        let pockets = self.live(room.id, &kinds::pocket::KIND)?;
        let race = self.named_by(room.id, loadout, "race_id", &kinds::race::KIND)?;
        let sheet = match &race {
            Some(race) => self.named_by(room.id, race, "rule_sheet_id", &kinds::rule_sheet::KIND)?,
            None => None,
        };
        let records = LoadoutRecords {
            loadout,
            entries: &entries,
            items: &items,
            masses: &masses,
            log_entries: &log_entries,
            stock_entries: &stock_entries,
            pockets: &pockets,
            race: race.as_ref(),
            sheet: sheet.as_ref(),
            member_of: self.member_of(room.id)?,
            as_of,
        };
        records.facts().map_err(|why| {
            Error::refused("the loadout cannot be read")
                .because(why)
                .hint("a later version of tare may have written it")
        })
    }

    /// What is seen of an item of another kitroom now, as its loadout's entry keeps it.
    ///
    /// # Errors
    /// When it is not on this device.
    pub fn seen(&mut self, room: &Kitroom, item: Uuid) -> Result<SeenItem> {
        self.freshen(room.id)?;
        let gone =
            || Error::refused(format!("an item of {} is not on this device", room.name)).hint("tare sync");
        let record =
            self.record(room.id, &kinds::item::KIND, item)?.filter(Stored::is_live).ok_or_else(gone)?;
        self.see(room.id, &record)?.ok_or_else(gone)
    }

    fn see(&self, room: Uuid, record: &Stored) -> Result<Option<SeenItem>> {
        let as_of = self.env().now();
        let log = self.facts_of(room, &kinds::log_entry::KIND, record.id)?;
        let stock = self.facts_of(room, &kinds::stock_entry::KIND, record.id)?;
        let mass = self.mass(room, record.id)?;
        let replaced: HashSet<Uuid> = superseded(&log);
        let (log, stock): (Vec<&Stored>, Vec<&Stored>) = (log.iter().collect(), stock.iter().collect());
        let known = known_item(record, mass.as_ref(), &log, &stock, &replaced, as_of);
        Ok(known.map(|known| see(&known, as_of)))
    }

    /// What the lightest set may take from another kitroom: what is serviceable there.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn offered(&mut self, room: &Kitroom) -> Result<Vec<OfferedItem>> {
        self.freshen(room.id)?;
        let mut offered = Vec::new();
        let kitroom_id = KitroomId::new(room.id).map_err(|why| Error::internal(why.to_string()))?;
        for record in self.live(room.id, &kinds::item::KIND)? {
            if let (Ok(item_id), Some(seen)) = (record.id.try_into(), self.see(room.id, &record)?) {
                offered.push(OfferedItem { item_id, kitroom_id, seen });
            }
        }
        Ok(offered)
    }

    fn member_of(&self, here: Uuid) -> Result<BTreeSet<KitroomId>> {
        let rooms = self.kitrooms()?.into_iter().filter(|room| room.id != here);
        Ok(rooms.filter_map(|room| KitroomId::new(room.id).ok()).collect())
    }

    fn mass(&self, room: Uuid, item: Uuid) -> Result<Option<ItemMass>> {
        Ok(self.item(room, item)?.and_then(|line| line.mass))
    }

    fn facts_of(&self, room: Uuid, kind: &'static Kind, item: Uuid) -> Result<Vec<Stored>> {
        self.referring(room, kind, "item_id", ("item", item))
    }

    fn all_of(
        &self,
        room: Uuid,
        kind: &'static Kind,
        ids: impl IntoIterator<Item = Uuid>,
    ) -> Result<Vec<Stored>> {
        let found = ids.into_iter().map(|id| self.record(room, kind, id));
        Ok(found.collect::<Result<Vec<_>>>()?.into_iter().flatten().collect())
    }

    fn named_by(
        &self,
        room: Uuid,
        record: &Stored,
        field: &str,
        kind: &'static Kind,
    ) -> Result<Option<Stored>> {
        match kinds::reference_id(&record.body, field) {
            Some(id) => self.record(room, kind, id),
            None => Ok(None),
        }
    }
}
