//! What happened on the way, as facts of each item.

use std::collections::{BTreeMap, BTreeSet};

use domain::ids::ItemId;
use domain::kinds::{log_entry, stock_entry};
use domain::time::Timestamp;
use domain::wire::loadout::CarryPlace;
use domain::wire::race::RaceBody;
use domain::wire::shape::Object;
use serde_json::json;
use uuid::Uuid;

use super::Open;
use super::packed::{Packed, counted};
use crate::commands::race::times;
use crate::error::Result;
use crate::local::{Draft, Store};
use crate::render::count;

/// What a person says happened.
#[derive(Debug, Clone, PartialEq)]
pub struct Account {
    /// Hours from start to finish.
    pub hours: f64,
    /// Hours in the wet; none when not known.
    pub wet: Option<f64>,
    /// What was worn besides what is on the body, with its hours.
    pub worn: BTreeMap<ItemId, f64>,
    /// Units that were eaten.
    pub eaten: BTreeMap<ItemId, u32>,
    /// Units that were lost.
    pub lost: BTreeMap<ItemId, u32>,
    /// What was damaged, with words about it.
    pub damaged: Vec<(ItemId, Option<String>)>,
}

/// A loadout that was used.
pub struct Logging<'a> {
    /// Where its items are.
    pub store: &'a Store,
    /// The loadout.
    pub open: &'a Open,
    /// Its lines.
    pub packed: &'a Packed,
    /// Its race.
    pub race: Option<&'a RaceBody>,
    /// What happened.
    pub account: &'a Account,
    /// When.
    pub observed_at: Timestamp,
}

/// The changes of each kitroom, that of the loadout first.
pub type Groups = Vec<(Uuid, Vec<Draft>)>;

impl Logging<'_> {
    /// The changes, and what they say in words.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn groups(&self) -> Result<(Groups, Vec<String>)> {
        let mut groups: Groups = vec![(self.open.room.id, Vec::new())];
        let (mut worn, mut carried) = (0_i64, 0_i64);
        let items: BTreeSet<ItemId> = self.packed.lines.iter().map(|line| line.entry.body.item_id).collect();
        for item in &items {
            let is_worn = self.used(*item, &mut groups);
            *(if is_worn { &mut worn } else { &mut carried }) += 1;
        }
        let account = self.account;
        let wet =
            account.wet.map_or(String::new(), |wet| format!(", {} of them in the wet", times::hours(wet)));
        let mut words = vec![format!(
            "{} worn, {} carried, for {}{wet}",
            count(worn, "item"),
            count(carried, "item"),
            times::hours(account.hours)
        )];
        for (item, hours) in &account.worn {
            words.push(format!("{}: worn {}", self.name(*item), times::hours(*hours)));
        }
        self.out(&account.eaten, "eaten", &mut groups, &mut words)?;
        self.out(&account.lost, "lost", &mut groups, &mut words)?;
        for (item, what) in &account.damaged {
            let mut entry = self.entry(*item, "damage");
            if let Some(what) = what {
                entry.insert("note".to_owned(), json!(what));
            }
            let what = what.as_deref().map_or(String::new(), |what| format!(" ({what})"));
            words.push(format!("{}: damaged{what}; to set it aside: tare log quarantine", self.name(*item)));
            self.push(*item, &log_entry::KIND, entry, &mut groups);
        }
        Ok((groups, words))
    }

    fn name(&self, item: ItemId) -> &str {
        self.packed.name_of(item).unwrap_or_default()
    }

    /// Whose item it is: none for the loadout's own kitroom.
    fn elsewhere(&self, item: ItemId) -> Option<Uuid> {
        self.packed.lines_of(item).find_map(|line| line.entry.body.item_kitroom_id).map(Into::into)
    }

    fn entry(&self, item: ItemId, event: &str) -> Object {
        let mut entry = Object::from_iter([
            ("item_id".to_owned(), json!(item)),
            ("event".to_owned(), json!(event)),
            ("observed_at".to_owned(), json!(self.observed_at)),
        ]);
        self.name_loadout(item, &mut entry);
        entry
    }

    /// Another kitroom does not have this loadout.
    fn name_loadout(&self, item: ItemId, entry: &mut Object) {
        if self.elsewhere(item).is_none() {
            entry.insert("loadout_id".to_owned(), json!(self.open.record.id));
        }
    }

    fn push(&self, item: ItemId, kind: &'static domain::kinds::Kind, payload: Object, groups: &mut Groups) {
        let room = self.elsewhere(item).unwrap_or(self.open.room.id);
        let draft =
            Draft { kind, record_id: self.store.new_id(), action: domain::sync::op::Action::Append, payload };
        match groups.iter_mut().find(|(known, _)| *known == room) {
            Some((_, drafts)) => drafts.push(draft),
            None => groups.push((room, vec![draft])),
        }
    }

    /// The hours of one item: on its way for as long as it was with the runner.
    fn used(&self, item: ItemId, groups: &mut Groups) -> bool {
        let hours = self.account.hours;
        let lines: Vec<_> = self.packed.lines_of(item).collect();
        let share = lines.iter().map(|line| self.share(line.entry.body.from_leg, line.entry.body.to_leg));
        let with_runner = hours * share.fold(0.0, f64::max);
        let on_body = lines.iter().any(|line| line.entry.body.carry_place == CarryPlace::OnBody);
        let worn = match self.account.worn.get(&item) {
            Some(worn) => Some(worn.min(with_runner)),
            None => on_body.then_some(with_runner),
        };
        let carried = with_runner - worn.unwrap_or(0.0);
        let mut entry = self.entry(item, "use");
        let mut put = |field: &str, value: f64| {
            entry.insert(field.to_owned(), json!((value * 1000.0).round() / 1000.0));
        };
        if let Some(worn) = worn {
            put("worn_h", worn);
            if let Some(wet) = self.account.wet {
                put("wet_h", wet.min(worn));
            }
        }
        if worn.is_none() || carried > 0.0005 {
            put("carried_h", carried);
        }
        self.push(item, &log_entry::KIND, entry, groups);
        worn.is_some()
    }

    /// The share of the time in which a line was with the runner, by the expected hours of the legs.
    fn share(&self, from: Option<u32>, to: Option<u32>) -> f64 {
        let legs = self.race.and_then(|race| race.legs.as_deref()).unwrap_or_default();
        let hours: Option<Vec<f64>> =
            legs.iter().map(|leg| leg.expected_h.map(|hours| hours.value())).collect();
        let (from, to) = (from.unwrap_or(1) as usize, to.map_or(usize::MAX, |leg| leg as usize));
        let Some(hours) = hours.filter(|hours| !hours.is_empty()) else { return 1.0 };
        let all: f64 = hours.iter().sum();
        let with: f64 =
            hours.iter().enumerate().filter(|(at, _)| (from..=to).contains(&(at + 1))).map(|(_, h)| h).sum();
        if all > 0.0 { with / all } else { 1.0 }
    }

    /// Units that went: of like units out of the stock; one thing that was lost is retired.
    fn out(
        &self,
        units: &BTreeMap<ItemId, u32>,
        reason: &str,
        groups: &mut Groups,
        words: &mut Vec<String>,
    ) -> Result<()> {
        for (item, number) in units.iter().filter(|(_, number)| **number > 0) {
            let per_unit = self.packed.lines_of(*item).any(|line| line.per_unit);
            let name = self.name(*item);
            if per_unit {
                let mut entry = Object::from_iter([
                    ("item_id".to_owned(), json!(item)),
                    ("change".to_owned(), json!(-i64::from(*number))),
                    ("reason".to_owned(), json!(reason)),
                    ("observed_at".to_owned(), json!(self.observed_at)),
                ]);
                self.name_loadout(*item, &mut entry);
                self.push(*item, &stock_entry::KIND, entry, groups);
                words.push(format!("{}: {reason}, out of the stock", counted(*number, name)));
            } else if reason == "lost" {
                let mut entry = self.entry(*item, "retire");
                entry.insert("reason".to_owned(), json!(reason));
                let room = self.elsewhere(*item).unwrap_or(self.open.room.id);
                let heads = self.store.item(room, item.uuid())?.map(|line| line.state.state_heads);
                entry.insert("after".to_owned(), json!(heads.unwrap_or_default()));
                self.push(*item, &log_entry::KIND, entry, groups);
                words.push(format!("{name}: lost, so retired; found again: tare log reinstate"));
            } else {
                words.push(format!("{name}: it is one thing, not counted; if it is gone: tare log retire"));
            }
        }
        Ok(())
    }
}
