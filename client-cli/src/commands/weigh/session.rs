//! What is being saved: the scale and the sitting are made together with the first fact, so that a run in which nothing
//! was weighed leaves nothing behind.

use domain::ids::{ItemId, ScaleId, SittingId, WeighingId};
use domain::kinds;
use domain::time::Timestamp;
use domain::units::{MassMg, ReadingMg};
use domain::wire::check_reading::{CheckReadingBody, RawReading};
use domain::wire::item::ItemKind;
use domain::wire::mass::{ItemMass, MassChanged};
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
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
    /// The item's mass before this run.
    pub before: Option<ItemMass>,
    undone: bool,
}

impl Saved {
    /// Its change of mass, when it came in with this run.
    #[must_use]
    pub fn change(&self) -> Option<&MassChanged> {
        let change = self.mass.as_ref()?.mass_changed.as_ref()?;
        let known = self.before.as_ref().and_then(|before| before.mass_changed.as_ref());
        // Two changes from one older value are told apart by the time of that value.
        known.is_none_or(|known| known.from_at != change.from_at).then_some(change)
    }

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
        let changed = self.change().map(|change| format!("  changed from {}", render::grams(change.from_g)));
        format!("  {mass}  {}{evidence}{condition}{}", self.name, changed.unwrap_or_default())
    }

    /// The record.
    #[must_use]
    pub fn weighing(&self) -> Uuid {
        self.weighing
    }

    /// Whether it was taken back.
    #[must_use]
    pub fn is_undone(&self) -> bool {
        self.undone
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

    /// All that was saved, in order.
    #[must_use]
    pub fn saved(&self) -> &[Saved] {
        &self.saved
    }

    /// What was saved and not undone.
    pub fn standing(&self) -> impl Iterator<Item = &Saved> {
        self.saved.iter().filter(|saved| !saved.undone)
    }

    /// The sitting, once something is saved in it.
    #[must_use]
    pub fn sitting(&self) -> Option<Uuid> {
        self.sitting.filter(|_| self.opening.is_empty()).map(SittingId::uuid)
    }

    /// Saves a weighing, and the item when it is new.
    ///
    /// # Errors
    /// Refused with the reason; then nothing is stored.
    pub fn save(&mut self, taken: &Taken, target: &Target, conditions: &Conditions) -> Result<Saved> {
        let (item, name, maker) = self.target(target)?;
        let before = self.store.item(self.room.id, item)?.and_then(|line| line.mass);
        let first = self.saved.iter().find(|saved| saved.item == item);
        let before = first.map_or(before, |saved| saved.before.clone());
        let mut body = weighing_body(self.sitting, &self.scale, taken, item, self.store.env().now())?;
        conditions.write(&mut body)?;
        let weighing = self.store.new_id();
        let drafts = maker.into_iter().chain([Draft::make(&kinds::weighing::KIND, weighing, &body)?]);
        self.act(body.sitting_id.is_some() || body.scale_id.is_some(), drafts)?;
        let mass = self.store.item(self.room.id, item)?.and_then(|line| line.mass);
        let conditions = conditions.describe();
        let reading = taken.reading;
        let saved = Saved { weighing, item, name, reading, conditions, mass, before, undone: false };
        self.saved.push(saved.clone());
        Ok(saved)
    }

    /// An item's id and name, and what makes it when it is new.
    fn target(&self, target: &Target) -> Result<(Uuid, String, Option<Draft>)> {
        Ok(match target {
            Target::There { id, name } => (*id, name.clone(), None),
            Target::New { name, kind } => {
                let id = self.store.new_id();
                let payload = json!({ "name": name, "kind": kind });
                (id, name.trim().to_owned(), Some(Draft::make(&kinds::item::KIND, id, &payload)?))
            }
        })
    }

    /// Does it, after what opens the sitting if that is still to be done and wanted.
    fn act(&mut self, open: bool, drafts: impl IntoIterator<Item = Draft>) -> Result<()> {
        let mut all = if open { self.opening.clone() } else { Vec::new() };
        let opens = !all.is_empty();
        all.extend(drafts);
        self.store.act(self.room.id, &all)?;
        if opens { self.opened() } else { Ok(()) }
    }

    /// Says that the last weighing of this run was of another item; the wrong one stays in history.
    ///
    /// # Errors
    /// Refused with the reason; then nothing is stored.
    pub fn correct(&mut self, target: &Target) -> Result<Option<(Saved, Saved)>> {
        let Some(at) = self.saved.iter().rposition(|saved| !saved.undone) else { return Ok(None) };
        let old = self.saved[at].clone();
        let (item, name, maker) = self.target(target)?;
        let before = self.store.item(self.room.id, item)?.and_then(|line| line.mass);
        let weighing = replace(self.store, self.room.id, old.weighing, item, maker)?;
        let mass_of =
            |store: &Store, id| store.item(self.room.id, id).map(|line| line.and_then(|line| line.mass));
        let (old_mass, mass) = (mass_of(self.store, old.item)?, mass_of(self.store, item)?);
        (self.saved[at].undone, self.saved[at].mass) = (true, old_mass);
        let new = Saved { weighing, item, name, mass, before, ..old };
        self.saved.push(new.clone());
        Ok(Some((self.saved[at].clone(), new)))
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
            observed_at: taken.at.unwrap_or_else(|| self.store.env().now()),
            raw,
            supersedes_id: None,
            note: None,
        };
        let id = self.store.new_id();
        self.act(true, [Draft::make(&kinds::check_reading::KIND, id, &body)?])?;
        self.checks.push(json!({ "known_g": known, "known_u_g": known_u, "reading_g": taken.reading }));
        Ok(())
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

/// The body of a weighing, dry and empty; read now unless its reading says when.
///
/// # Errors
/// When an id is not valid.
pub fn weighing_body(
    sitting: Option<SittingId>,
    scale: &Scale,
    taken: &Taken,
    item: Uuid,
    now: Timestamp,
) -> Result<WeighingBody> {
    let mut body = WeighingBody {
        item_id: ItemId::new(item).map_err(broken)?,
        sitting_id: sitting,
        scale_id: if sitting.is_none() { Some(scale_id(scale)?) } else { None },
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
        observed_at: taken.at.unwrap_or(now),
        source: None,
        supersedes_id: None,
        note: None,
    };
    if let Some(coarser) = taken.coarser_than(scale.resolution) {
        // The sitting's scale would claim a finer step than this reading has.
        (body.sitting_id, body.scale_id, body.resolution_g) = (None, None, Some(coarser));
    }
    taken.write(&mut body);
    Ok(body)
}

/// Replaces a weighing by the same reading of another item, made first when it is new; answers the new weighing.
///
/// # Errors
/// Refused with the reason; then nothing is stored.
pub fn replace(store: &mut Store, room: Uuid, old: Uuid, item: Uuid, maker: Option<Draft>) -> Result<Uuid> {
    let record = store.record(room, &kinds::weighing::KIND, old)?;
    let read = record.and_then(|record| shape::read::<WeighingBody>(&record.body).ok());
    let mut body = read.ok_or_else(|| Error::internal("the weighing to replace is not there"))?;
    body.item_id = ItemId::new(item).map_err(broken)?;
    body.supersedes_id = Some(WeighingId::new(old).map_err(broken)?);
    let weighing = store.new_id();
    let drafts: Vec<Draft> =
        maker.into_iter().chain([Draft::make(&kinds::weighing::KIND, weighing, &body)?]).collect();
    store.act(room, &drafts)?;
    Ok(weighing)
}

/// A scale's id as records name it.
///
/// # Errors
/// When it is not valid.
pub fn scale_id(scale: &Scale) -> Result<ScaleId> {
    ScaleId::new(scale.id).map_err(broken)
}

/// A stored id that is no id.
pub fn broken(error: domain::ids::IdError) -> Error {
    Error::internal("a stored id is not valid").because(error).hint("run: tare doctor")
}
