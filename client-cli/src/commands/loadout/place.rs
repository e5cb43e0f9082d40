//! Where a thing goes: what a person types after the @, and what is taken when nothing is typed.

use domain::ids::{LoadoutEntryId, PocketId};
use domain::kinds;
use domain::wire::item::ItemKind;
use domain::wire::loadout::{CarryPlace, LoadoutEntryBody};
use domain::wire::shape;
use uuid::Uuid;

use super::packed::{Line, Packed};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Store;
use crate::local::items::fold;

/// A place.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Spot {
    /// How it travels.
    pub carry_place: CarryPlace,
    /// In which pocket.
    pub pocket: Option<Uuid>,
    /// Inside which line.
    pub inside: Option<Uuid>,
}

impl Spot {
    /// Without a pocket.
    #[must_use]
    pub fn plain(carry_place: CarryPlace) -> Self {
        Self { carry_place, pocket: None, inside: None }
    }

    /// Where a line is.
    #[must_use]
    pub fn of(body: &LoadoutEntryBody) -> Self {
        Self {
            carry_place: body.carry_place,
            pocket: body.pocket_id.map(Into::into),
            inside: body.inside_entry_id.map(Into::into),
        }
    }

    /// Puts a line there.
    ///
    /// # Errors
    /// When an id is none.
    pub fn set(&self, body: &mut LoadoutEntryBody) -> Result<()> {
        let broken = |why: domain::ids::IdError| Error::internal("an id is no id").because(why);
        body.carry_place = self.carry_place;
        body.pocket_id = self.pocket.map(PocketId::new).transpose().map_err(broken)?;
        body.inside_entry_id = self.inside.map(LoadoutEntryId::new).transpose().map_err(broken)?;
        Ok(())
    }
}

/// Words as they are compared: `front-left` and "Front left" are one.
fn plain(text: &str) -> String {
    fold(&text.replace(['-', '_'], " "))
}

/// The place that is named: on the body, in the hand, a drop bag, a pocket, or a dry bag of the loadout.
///
/// # Errors
/// When no place is called so, or several are and nobody can be asked.
pub fn named(app: &mut App<'_>, packed: &Packed, text: &str) -> Result<Spot> {
    let wanted = plain(text);
    let carry_place = match wanted.as_str() {
        "body" | "on body" | "on the body" | "worn" => Some(CarryPlace::OnBody),
        "hand" | "hands" | "in hand" | "in the hand" => Some(CarryPlace::InHand),
        "stowed" => Some(CarryPlace::Stowed),
        "drop bag" | "dropbag" | "in drop bag" => Some(CarryPlace::DropBag),
        _ => None,
    };
    if let Some(place) = carry_place {
        return Ok(Spot::plain(place));
    }
    let in_loadout = |item: Uuid| packed.lines.iter().any(|line| line.entry.body.item_id.uuid() == item);
    let tests: [fn(&str, &str) -> bool; 2] =
        [|name, wanted| name == wanted, |name, wanted| name.contains(wanted)];
    for test in tests {
        let mut found: Vec<(String, Spot)> = Vec::new();
        for (id, pocket) in &packed.pockets {
            if test(&plain(pocket.name.as_str()), &wanted) && in_loadout(pocket.item_id.uuid()) {
                let vest = packed.name_of(pocket.item_id).unwrap_or_default();
                let spot = Spot { carry_place: CarryPlace::Stowed, pocket: Some(*id), inside: None };
                found.push((format!("{} of {vest}", pocket.name), spot));
            }
        }
        for line in packed.lines.iter().filter(|line| is_container(line) && test(&plain(&line.name), &wanted))
        {
            let spot = Spot { carry_place: CarryPlace::Stowed, pocket: None, inside: Some(line.entry.id) };
            found.push((format!("inside {}", line.name), spot));
        }
        match found.len() {
            0 => {}
            1 => return Ok(found.remove(0).1),
            _ => {
                let words: Vec<String> = found.iter().map(|(words, _)| words.clone()).collect();
                let at = app.choose(&format!("several places match {text}:"), &words, "more of its name")?;
                return Ok(found.remove(at).1);
            }
        }
    }
    let elsewhere = packed.pockets.iter().find(|(_, pocket)| plain(pocket.name.as_str()).contains(&wanted));
    let known: Vec<&str> = packed
        .pockets
        .iter()
        .filter(|(_, pocket)| in_loadout(pocket.item_id.uuid()))
        .map(|(_, pocket)| pocket.name.as_str())
        .collect();
    let hint = match (elsewhere, known.as_slice()) {
        (Some(_), _) => {
            "the pocket is of a vest that is not in the loadout: put the vest in first".to_owned()
        }
        (None, []) => "places are body, hand, stowed, drop-bag, and the pockets of a vest in the loadout; \
                       give a vest its pockets: tare item pocket VEST NAME --reach moving"
            .to_owned(),
        (None, known) => format!("places are body, hand, stowed, drop-bag, {}", known.join(", ")),
    };
    Err(Error::refused(format!("no place is called {text}")).hint(hint))
}

fn is_container(line: &Line) -> bool {
    line.kind == ItemKind::DryBag
}

/// How a thing goes when nothing is said.
#[derive(Debug, Clone, PartialEq)]
pub struct Habit {
    /// Where.
    pub spot: Spot,
    /// The line that it was in last time.
    pub last: Option<LoadoutEntryBody>,
}

/// Where an item was last time, else where such a thing usually is.
///
/// # Errors
/// When the store cannot be read.
pub fn habit(store: &Store, room: Uuid, packed: &Packed, item: Uuid, kind: ItemKind) -> Result<Habit> {
    let lines =
        store.referring(room, &kinds::loadout_entry::KIND, "item_id", (kinds::item::KIND.name, item))?;
    let last = lines.iter().rev().find_map(|line| shape::read::<LoadoutEntryBody>(&line.body).ok());
    let Some(last) = last else { return Ok(Habit { spot: Spot::plain(usual(kind)), last: None }) };
    let mut spot = Spot::of(&last);
    // A pocket that is gone is no place any more; a dry bag counts when it is in this loadout, too.
    spot.pocket = spot.pocket.filter(|id| packed.pocket(*id).is_some());
    if let Some(inside) = spot.inside.take() {
        let container = store.record(room, &kinds::loadout_entry::KIND, inside)?;
        let container = container.and_then(|record| kinds::reference_id(&record.body, "item_id"));
        spot.inside = packed
            .lines
            .iter()
            .find(|line| is_container(line) && Some(line.entry.body.item_id.uuid()) == container)
            .map(|line| line.entry.id);
    }
    Ok(Habit { spot, last: Some(last) })
}

/// Where such a thing usually travels; common practice, no source.
fn usual(kind: ItemKind) -> CarryPlace {
    match kind {
        ItemKind::Vest | ItemKind::Shoes | ItemKind::Socks | ItemKind::BaseTop | ItemKind::BaseBottom => {
            CarryPlace::OnBody
        }
        ItemKind::Poles => CarryPlace::InHand,
        _ => CarryPlace::Stowed,
    }
}
