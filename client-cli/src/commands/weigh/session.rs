//! What is being saved: the scale and the sitting are made together with the first fact, so that a run in which nothing
//! was weighed leaves nothing behind.

use domain::ids::{ItemId, ScaleId, SittingId};
use domain::kinds;
use domain::units::{MassMg, ReadingMg};
use domain::wire::check_reading::{CheckReadingBody, RawReading};
use domain::wire::item::ItemKind;
use domain::wire::mass::ItemMass;
use domain::wire::scale::ScaleBody;
use domain::wire::sitting::SittingBody;
use domain::wire::text::Name;
use domain::wire::weighing::WeighingBody;
use serde_json::{Value, json};
use uuid::Uuid;

use super::conditions::Conditions;
use super::taken::Taken;
use crate::error::{Error, Result};
use crate::local::{Draft, Kitroom, Store};
use crate::render;

/// The scale in use.
#[derive(Debug, Clone, PartialEq)]
pub struct Scale {
    /// Its id.
    pub id: Uuid,
    /// Its name.
    pub name: String,
    /// Its step.
    pub resolution: MassMg,
    /// Its body, when it has to be made first.
    pub new: Option<ScaleBody>,
}

/// What was weighed: an item that is there, or one to be made.
#[derive(Debug, Clone, PartialEq)]
pub enum Target {
    /// An item that is there.
    There {
        /// Its id.
        id: Uuid,
        /// Its name.
        name: String,
    },
    /// A new item.
    New {
        /// Its name.
        name: String,
        /// What sort of thing it is.
        kind: ItemKind,
    },
}

/// A weighing that is on disk.
#[derive(Debug, Clone, PartialEq)]
pub struct Saved {
    weighing: Uuid,
    /// The item.
    pub item: Uuid,
    /// Its name.
    pub name: String,
    /// What the scale showed.
    pub reading: ReadingMg,
    /// Whether it was not dry and empty.
    pub conditions: String,
    /// The item's mass after it.
    pub mass: Option<ItemMass>,
    undone: bool,
}

impl Saved {
    /// In one line: the mass that the item has now, and what it rests on.
    #[must_use]
    pub fn describe(&self) -> String {
        let (mass, evidence) = render::mass(self.mass.as_ref());
        let evidence = if evidence.is_empty() { evidence } else { format!("  ({evidence})") };
        let condition = if self.conditions.is_empty() {
            String::new()
        } else {
            format!("  weighed {}: {}", self.conditions, self.reading)
        };
        let changed = self.mass.as_ref().and_then(|mass| mass.mass_changed.as_ref());
        let changed = changed.map(|change| format!("  changed from {}", render::grams(change.from_g)));
        format!("  {mass}  {}{evidence}{condition}{}", self.name, changed.unwrap_or_default())
    }

    /// For scripts.
    #[must_use]
    pub fn to_json(&self) -> Value {
        let mut document = json!({ "item": self.name, "item_id": self.item, "reading_g": self.reading });
        if let (Some(document), Some(Value::Object(mass))) =
            (document.as_object_mut(), self.mass.as_ref().map(|mass| json!(mass)))
        {
            document.extend(mass);
        }
        document
    }
}

/// A run at one scale.
pub struct Session<'s> {
    /// The replica.
    pub store: &'s mut Store,
    /// Whose kit.
    pub room: Kitroom,
    /// On which scale.
    pub scale: Scale,
    /// The check readings, for scripts.
    pub checks: Vec<Value>,
    sitting: Option<SittingId>,
    opening: Vec<Draft>,
    saved: Vec<Saved>,
}

impl<'s> Session<'s> {
    /// Begins; nothing is stored yet. With `sitting`, everything weighed belongs to one.
    ///
    /// # Errors
    /// When the body of the scale or the sitting cannot be written.
    pub fn begin(store: &'s mut Store, room: Kitroom, scale: Scale, sitting: bool) -> Result<Self> {
        let mut opening = Vec::new();
        if let Some(body) = &scale.new {
            opening.push(Draft::make(&kinds::scale::KIND, scale.id, body)?);
        }
        let sitting = sitting.then(|| store.new_id());
        if let Some(id) = sitting {
            let body = SittingBody { scale_id: scale_id(&scale)?, started_at: store.env().now(), note: None };
            opening.push(Draft::make(&kinds::sitting::KIND, id, &body)?);
        }
        let sitting = sitting.map(|id| SittingId::new(id).map_err(broken)).transpose()?;
        Ok(Self { store, room, scale, checks: Vec::new(), sitting, opening, saved: Vec::new() })
    }

    /// What was saved and not undone.
    pub fn standing(&self) -> impl Iterator<Item = &Saved> {
        self.saved.iter().filter(|saved| !saved.undone)
    }

    /// Saves a weighing, and the item when it is new.
    ///
    /// # Errors
    /// Refused with the reason; then nothing is stored.
    pub fn save(&mut self, taken: &Taken, target: &Target, conditions: &Conditions) -> Result<Saved> {
        let coarser = taken.coarser_than(self.scale.resolution);
        let mut drafts = if coarser.is_some() { Vec::new() } else { self.opening.clone() };
        let opened = !drafts.is_empty();
        let (item, name) = match target {
            Target::There { id, name } => (*id, name.clone()),
            Target::New { name, kind } => {
                let id = self.store.new_id();
                let payload = json!({ "name": name, "kind": kind });
                drafts.push(Draft::make(&kinds::item::KIND, id, &payload)?);
                (id, name.trim().to_owned())
            }
        };
        let weighing = self.store.new_id();
        let mut body = WeighingBody {
            item_id: ItemId::new(item).map_err(broken)?,
            sitting_id: self.sitting,
            scale_id: if self.sitting.is_none() { Some(scale_id(&self.scale)?) } else { None },
            resolution_g: None,
            reading_g: taken.reading,
            tare_g: None,
            tare_pressed: None,
            units: None,
            lifts: None,
            samples: None,
            spread_g: None,
            raw: None,
            wetness: None,
            fill: None,
            observed_at: self.store.env().now(),
            source: None,
            supersedes_id: None,
            note: None,
        };
        if coarser.is_some() {
            // The sitting's scale would claim a finer step than this reading has.
            (body.sitting_id, body.scale_id, body.resolution_g) = (None, None, coarser);
        }
        taken.write(&mut body);
        conditions.write(&mut body)?;
        drafts.push(Draft::make(&kinds::weighing::KIND, weighing, &body)?);
        self.store.act(self.room.id, &drafts)?;
        if opened {
            self.opened()?;
        }
        let mass = self.store.item(self.room.id, item)?.and_then(|line| line.mass);
        let conditions = conditions.describe();
        let saved = Saved { weighing, item, name, reading: taken.reading, conditions, mass, undone: false };
        self.saved.push(saved.clone());
        Ok(saved)
    }

    /// Saves a reading of a check weight.
    ///
    /// # Errors
    /// Refused with the reason; then nothing is stored.
    pub fn save_check(&mut self, known: MassMg, known_u: MassMg, taken: &Taken) -> Result<()> {
        let sitting_id = self.sitting.ok_or_else(|| Error::internal("a check weight needs a sitting"))?;
        let weight_name = Name::new(&format!("check weight {known}"))
            .map_err(|why| Error::internal("the check weight has no name").because(why))?;
        let raw: Option<RawReading> = taken.raw.clone();
        let body = CheckReadingBody {
            sitting_id,
            weight_name,
            known_g: known,
            known_u_g: known_u,
            reading_g: taken.reading,
            observed_at: self.store.env().now(),
            raw,
            supersedes_id: None,
            note: None,
        };
        let mut drafts = self.opening.clone();
        let id = self.store.new_id();
        drafts.push(Draft::make(&kinds::check_reading::KIND, id, &body)?);
        self.store.act(self.room.id, &drafts)?;
        self.checks.push(json!({ "known_g": known, "known_u_g": known_u, "reading_g": taken.reading }));
        self.opened()
    }

    fn opened(&mut self) -> Result<()> {
        self.opening.clear();
        let name = format!("scale.{}", self.room.id);
        self.store.set_setting(&name, Some(&self.scale.id.to_string()))
    }

    /// Voids the last weighing of this run that stands. It stays in history.
    ///
    /// # Errors
    /// When the store cannot be written.
    pub fn undo(&mut self) -> Result<Option<Saved>> {
        let Some(at) = self.saved.iter().rposition(|saved| !saved.undone) else { return Ok(None) };
        let draft = Draft::void(&kinds::weighing::KIND, self.saved[at].weighing, "undone at the scale");
        self.store.act(self.room.id, &[draft])?;
        let mass = self.store.item(self.room.id, self.saved[at].item)?.and_then(|line| line.mass);
        let saved = &mut self.saved[at];
        (saved.undone, saved.mass) = (true, mass);
        Ok(Some(saved.clone()))
    }
}

fn scale_id(scale: &Scale) -> Result<ScaleId> {
    ScaleId::new(scale.id).map_err(broken)
}

fn broken(error: domain::ids::IdError) -> Error {
    Error::internal("a stored id is not valid").because(error).hint("run: tare doctor")
}
