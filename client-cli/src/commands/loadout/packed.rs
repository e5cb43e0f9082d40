//! The lines of a loadout with the names of what they hold and where it lies.

use domain::ids::ItemId;
use domain::kinds;
use domain::wire::item::{ItemBody, ItemKind, Reach};
use domain::wire::loadout::{CarryPlace, LoadoutEntryBody};
use domain::wire::pocket::PocketBody;
use domain::wire::shape;
use serde_json::Value;
use uuid::Uuid;

use super::Open;
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Store;
use crate::local::items::fold;
use crate::local::loadouts::Entry;

/// A line with its item's name.
#[derive(Debug, Clone, PartialEq)]
pub struct Line {
    /// The line.
    pub entry: Entry,
    /// What its item is called.
    pub name: String,
    /// What sort of thing it is.
    pub kind: ItemKind,
    /// Whether it is a kind of like units.
    pub per_unit: bool,
    /// The item's fields, when this version can read them.
    pub item: Option<ItemBody>,
}

/// A loadout as it is packed.
#[derive(Debug, Clone)]
pub struct Packed {
    /// Its lines.
    pub lines: Vec<Line>,
    /// The pockets of the kitroom.
    pub pockets: Vec<(Uuid, PocketBody)>,
}

impl Packed {
    /// Reads it.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn of(store: &Store, open: &Open) -> Result<Self> {
        let mut lines = Vec::with_capacity(open.entries.len());
        for entry in &open.entries {
            lines.push(Line::of(store, open.room.id, entry)?);
        }
        let pockets = store.live(open.room.id, &kinds::pocket::KIND)?;
        let pockets = pockets.iter().rev();
        let pockets =
            pockets.filter_map(|record| Some((record.id, shape::read(&record.body).ok()?))).collect();
        Ok(Self { lines, pockets })
    }

    /// The pocket of this id.
    #[must_use]
    pub fn pocket(&self, id: Uuid) -> Option<&PocketBody> {
        self.pockets.iter().find(|(pocket, _)| *pocket == id).map(|(_, body)| body)
    }

    /// The lines of an item.
    pub fn lines_of(&self, item: ItemId) -> impl Iterator<Item = &Line> {
        self.lines.iter().filter(move |line| line.entry.body.item_id == item)
    }

    /// The item of the loadout that the first of `names` that is in one's name or tag means.
    ///
    /// # Errors
    /// When none matches, or several do and nobody can be asked.
    pub fn find(&self, app: &mut App<'_>, loadout: &str, names: &[&str]) -> Result<ItemId> {
        let tests: [fn(&str, &str) -> bool; 2] =
            [|name, wanted| name == wanted, |name, wanted| name.contains(wanted)];
        for wanted in names.iter().map(|name| fold(name)) {
            for test in tests {
                let mut found: Vec<&Line> = Vec::new();
                for line in self.lines.iter().filter(|line| line.is_called(&wanted, test)) {
                    if found.iter().all(|known| known.entry.body.item_id != line.entry.body.item_id) {
                        found.push(line);
                    }
                }
                match found.as_slice() {
                    [] => {}
                    [one] => return Ok(one.entry.body.item_id),
                    several => {
                        let names: Vec<String> = several.iter().map(|line| line.name.clone()).collect();
                        let question = format!("several things in {loadout} match {wanted}:");
                        let at = app.choose(&question, &names, "more of the name")?;
                        return Ok(several[at].entry.body.item_id);
                    }
                }
            }
        }
        let name = names.last().copied().unwrap_or_default();
        Err(Error::refused(format!("nothing in {loadout} has {name} in its name"))
            .hint("see what is in it: tare loadout show"))
    }

    /// What an item is called.
    #[must_use]
    pub fn name_of(&self, item: ItemId) -> Option<&str> {
        self.lines_of(item).next().map(|line| line.name.as_str())
    }

    /// Where a line travels, in words: "in front-left", "on the body".
    #[must_use]
    pub fn whereabouts(&self, body: &LoadoutEntryBody) -> String {
        let mut words = match body.carry_place {
            CarryPlace::OnBody => "on the body".to_owned(),
            CarryPlace::InHand => "in the hand".to_owned(),
            CarryPlace::Stowed => self.stowed(body).unwrap_or_else(|| "stowed".to_owned()),
            CarryPlace::DropBag => match self.stowed(body) {
                Some(then) => format!("in a drop bag, then {then}"),
                None => "in a drop bag".to_owned(),
            },
        };
        match (body.from_leg, body.to_leg) {
            (Some(from), Some(to)) => words.push_str(&format!(", legs {from} to {to}")),
            (Some(from), None) => words.push_str(&format!(", from leg {from}")),
            (None, Some(to)) => words.push_str(&format!(", to leg {to}")),
            (None, None) => {}
        }
        words
    }

    fn stowed(&self, body: &LoadoutEntryBody) -> Option<String> {
        if let Some(inside) = body.inside_entry_id {
            let container = self.lines.iter().find(|line| line.entry.id == inside.uuid());
            let Some(container) = container else {
                return Some("inside what is not there any more".to_owned());
            };
            let pocket = container.entry.body.pocket_id.and_then(|id| self.pocket(id.uuid()));
            let then = pocket.map_or(String::new(), |pocket| format!(", in {}", pocket.name));
            return Some(format!("in {}{then}", container.name));
        }
        let pocket = body.pocket_id?;
        Some(match self.pocket(pocket.uuid()) {
            Some(pocket) => format!("in {}", pocket.name),
            None => "in a pocket that is not there any more".to_owned(),
        })
    }

    /// What it takes to get at a line.
    #[must_use]
    pub fn reach(&self, body: &LoadoutEntryBody) -> Option<Reach> {
        match body.carry_place {
            CarryPlace::OnBody | CarryPlace::InHand => Some(Reach::Moving),
            CarryPlace::DropBag => None,
            CarryPlace::Stowed => {
                let holder = match body.inside_entry_id {
                    Some(inside) => {
                        &self.lines.iter().find(|line| line.entry.id == inside.uuid())?.entry.body
                    }
                    None => body,
                };
                Some(self.pocket(holder.pocket_id?.uuid())?.reach)
            }
        }
    }
}

impl Line {
    fn of(store: &Store, room: Uuid, entry: &Entry) -> Result<Self> {
        if let Some(seen) = &entry.body.seen {
            return Ok(Self::with(entry, seen.item.clone()));
        }
        let record = store.record(room, &kinds::item::KIND, entry.body.item_id.uuid())?;
        let Some(record) = record else {
            return Ok(Self {
                entry: entry.clone(),
                name: "an item that is not here".to_owned(),
                kind: ItemKind::Other,
                per_unit: false,
                item: None,
            });
        };
        Ok(match shape::read::<ItemBody>(&record.body) {
            Ok(item) => Self::with(entry, item),
            Err(_) => Self {
                entry: entry.clone(),
                name: record.body.get("name").and_then(Value::as_str).unwrap_or("without a name").to_owned(),
                kind: ItemKind::Other,
                per_unit: false,
                item: None,
            },
        })
    }

    fn with(entry: &Entry, item: ItemBody) -> Self {
        Self {
            entry: entry.clone(),
            name: item.name.as_str().to_owned(),
            kind: item.kind,
            per_unit: item.per_unit == Some(true),
            item: Some(item),
        }
    }

    fn is_called(&self, wanted: &str, test: fn(&str, &str) -> bool) -> bool {
        let tag = self.item.as_ref().and_then(|item| item.tag.as_ref());
        test(&fold(&self.name), wanted) || tag.is_some_and(|tag| test(&fold(tag.as_str()), wanted))
    }

    /// The name with the number of units, when there are several: "10 gel".
    #[must_use]
    pub fn counted(&self) -> String {
        counted(self.entry.body.units(), &self.name)
    }
}

/// "10 gel", "shell jacket".
#[must_use]
pub fn counted(units: u32, name: &str) -> String {
    if units == 1 { name.to_owned() } else { format!("{units} {name}") }
}

/// A reach in words.
#[must_use]
pub fn reach_words(reach: Reach) -> &'static str {
    match reach {
        Reach::Moving => "while moving",
        Reach::AtStop => "at a stop",
        Reach::VestOff => "vest off",
    }
}
