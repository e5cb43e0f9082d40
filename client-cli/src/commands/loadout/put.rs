//! `tare loadout put`.

use domain::ids::{ItemId, KitroomId, LoadoutId};
use domain::kinds::{self, loadout_entry::KIND};
use domain::sync::op::Action;
use domain::units::Millilitres;
use domain::wire::item::ItemBody;
use domain::wire::loadout::{LoadoutEntryBody, MAX_ENTRIES, SeenItem};
use domain::wire::shape::{self, Object};
use domain::wire::text::Note;
use serde_json::Value;
use uuid::Uuid;

use super::packed::{Line, Packed, counted};
use super::pieces::{Piece, pieces};
use super::place::{self, Spot};
use super::{LoadoutPutArgs, Open, after, open};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::loadouts::Entry;
use crate::local::{Draft, ItemLine, Kitroom, Store};

/// Puts items in, or somewhere else: all of them or none.
///
/// # Errors
/// When an item or a place is not clear, the loadout is sealed, or there are too many lines.
pub fn cmd_loadout_put(app: &mut App<'_>, args: &LoadoutPutArgs) -> Result<()> {
    let pieces = pieces(&args.items)?;
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    open.refuse_sealed()?;
    let from = args.from.as_deref().map(|name| app.room_named(&store, name)).transpose()?;
    let from = from.filter(|room| room.id != open.room.id);
    let packed = Packed::of(&store, &open)?;
    let mut putting = Putting { args, packed, drafts: Vec::new(), words: Vec::new(), touched: Vec::new() };
    let mut wrong = Vec::new();
    for piece in &pieces {
        match putting.put(app, &mut store, &open, from.as_ref(), piece) {
            Ok(()) => {}
            // What a person cannot be asked about is gathered, so that all of it is named at once.
            Err(error) if pieces.len() > 1 => wrong.push(error),
            Err(error) => return Err(error),
        }
    }
    if let Some(first) = wrong.first() {
        let words: Vec<String> = wrong.iter().map(|error| error.what.clone()).collect();
        let hint = first.hint.clone().unwrap_or_default();
        return Err(Error { kind: first.kind, ..Error::refused("nothing was put in") }
            .because(words.join("; "))
            .hint(hint));
    }
    if putting.packed.lines.len() > MAX_ENTRIES {
        return Err(Error::refused("nothing was put in")
            .because(format!("a loadout has at most {MAX_ENTRIES} lines"))
            .hint("several units of one thing in one pocket are one line"));
    }
    store.act(open.room.id, &putting.drafts)?;
    after::changed(app, &mut store, &open, &putting.words, &putting.touched)
}

struct Putting<'a> {
    args: &'a LoadoutPutArgs,
    /// The loadout as it will be.
    packed: Packed,
    drafts: Vec<Draft>,
    words: Vec<String>,
    touched: Vec<ItemId>,
}

/// The item of a piece, with its fields and, of another kitroom, what is seen of it.
struct Found {
    id: ItemId,
    body: ItemBody,
    elsewhere: Option<(KitroomId, String, SeenItem)>,
}

impl Putting<'_> {
    fn put(
        &mut self,
        app: &mut App<'_>,
        store: &mut Store,
        open: &Open,
        from: Option<&Kitroom>,
        piece: &Piece,
    ) -> Result<()> {
        let (found, units) = find(app, store, &open.room, from, piece)?;
        let said = piece.place.as_deref().or(self.args.at.as_deref());
        let spot = said.map(|text| place::named(app, &self.packed, text)).transpose()?;
        let there: Vec<usize> = (0..self.packed.lines.len())
            .filter(|at| self.packed.lines[*at].entry.body.item_id == found.id)
            .collect();
        self.touched.push(found.id);
        let single = found.body.per_unit != Some(true);
        let same_place =
            |at: &&usize| spot.is_none_or(|spot| Spot::of(&self.packed.lines[**at].entry.body) == spot);
        // One thing is in one place: putting it again moves it. Of like units there may be several lines.
        let line = if single { there.first() } else { there.iter().find(same_place) };
        match line.copied() {
            Some(at) => self.change(at, spot, units, &found),
            None => self.add(store, open, spot, units, found),
        }
    }

    fn change(&mut self, at: usize, spot: Option<Spot>, units: Option<u32>, found: &Found) -> Result<()> {
        let line = &self.packed.lines[at];
        let mut body = line.entry.body.clone();
        if let Some(spot) = spot {
            if spot.inside == Some(line.entry.id) {
                return Err(Error::refused(format!("{} cannot lie inside itself", line.name)));
            }
            spot.set(&mut body)?;
        }
        if line.per_unit {
            let more = units.unwrap_or(1);
            // Without a number, flags alone change the line that is there.
            let adds = units.is_some() || !self.flagged();
            body.quantity = Some(body.units().saturating_add(if adds { more } else { 0 })).filter(|n| *n > 1);
        } else if units.is_some() {
            body.quantity = units.filter(|n| *n > 1);
        }
        if let Some((_, _, seen)) = &found.elsewhere {
            body.seen = Some(seen.clone());
        }
        self.flags(&mut body)?;
        let patch = difference(&line.entry.body, &body)?;
        let words = format!("{}: {}", counted(body.units(), &line.name), self.packed.whereabouts(&body));
        if patch.is_empty() {
            self.words.push(format!("{words}, as it was"));
        } else {
            let record_id = line.entry.id;
            self.drafts.push(Draft { kind: &KIND, record_id, action: Action::Patch, payload: patch });
            self.words.push(words);
        }
        self.packed.lines[at].entry.body = body;
        Ok(())
    }

    fn add(
        &mut self,
        store: &Store,
        open: &Open,
        spot: Option<Spot>,
        units: Option<u32>,
        found: Found,
    ) -> Result<()> {
        let habit = place::habit(store, open.room.id, &self.packed, found.id.uuid(), found.body.kind)?;
        let loadout_id = LoadoutId::new(open.record.id).map_err(|why| Error::internal(why.to_string()))?;
        let (item_kitroom_id, whose, seen) = match found.elsewhere {
            Some((room, whose, seen)) => (Some(room), Some(whose), Some(seen)),
            None => (None, None, None),
        };
        let mut body = LoadoutEntryBody {
            loadout_id,
            item_id: found.id,
            item_kitroom_id,
            quantity: units.filter(|n| *n > 1),
            carry_place: habit.spot.carry_place,
            pocket_id: None,
            inside_entry_id: None,
            fill_ml: habit.last.as_ref().and_then(|last| last.fill_ml),
            reserve: habit.last.as_ref().and_then(|last| last.reserve),
            locked: habit.last.as_ref().and_then(|last| last.locked),
            from_leg: None,
            to_leg: None,
            note: None,
            seen,
        };
        spot.unwrap_or(habit.spot).set(&mut body)?;
        self.flags(&mut body)?;
        let why = match (spot, &habit.last) {
            (None, Some(_)) => ", as last time",
            _ => "",
        };
        let whose = whose.map_or(String::new(), |whose| format!(" of {whose}"));
        let name = counted(body.units(), found.body.name.as_str());
        let mut words = format!("{name}{whose}: {}{why}", self.packed.whereabouts(&body));
        match body.fill_ml {
            Some(fill) => words.push_str(&format!(", with {fill} of water")),
            None if found.body.kind.is_vessel() => words.push_str(", empty: --fill ML says how much water"),
            None => {}
        }
        self.words.push(words);
        let draft = Draft::make(&KIND, store.new_id(), &body)?;
        let entry = Entry { id: draft.record_id, body };
        self.drafts.push(draft);
        self.packed.lines.push(Line {
            entry,
            name: found.body.name.as_str().to_owned(),
            kind: found.body.kind,
            per_unit: found.body.per_unit == Some(true),
            item: Some(found.body),
        });
        Ok(())
    }

    fn flagged(&self) -> bool {
        let args = self.args;
        args.fill.is_some()
            || args.reserve.is_some()
            || args.lock.is_some()
            || args.from_leg.is_some()
            || args.to_leg.is_some()
            || args.note.is_some()
            || args.at.is_some()
    }

    fn flags(&self, body: &mut LoadoutEntryBody) -> Result<()> {
        let args = self.args;
        if let Some(fill) = args.fill {
            let fill = Millilitres::new(fill)
                .map_err(|why| Error::usage("the filling is not clear").because(format!("--fill {why}")))?;
            body.fill_ml = Some(fill).filter(|fill| fill.scaled() > 0);
        }
        body.reserve = args.reserve.or(body.reserve).filter(|reserve| *reserve);
        body.locked = args.lock.or(body.locked).filter(|locked| *locked);
        body.from_leg = args.from_leg.or(body.from_leg);
        body.to_leg = args.to_leg.or(body.to_leg);
        if let Some(note) = &args.note {
            body.note = Some(Note::new(note).map_err(|why| Error::usage(format!("the note {why}")))?);
        }
        Ok(())
    }
}

/// The item that a piece means, and how many units of it.
fn find(
    app: &mut App<'_>,
    store: &mut Store,
    room: &Kitroom,
    from: Option<&Kitroom>,
    piece: &Piece,
) -> Result<(Found, Option<u32>)> {
    if let Some(from) = from {
        let (line, units) = item(app, store, from.id, piece)?;
        return Ok((foreign(store, from, &line)?, units));
    }
    let here = store.find_items(room.id, &piece.name)?;
    if here.is_empty() && store.find_items(room.id, &piece.whole)?.is_empty() {
        // Nothing of the own kit is called so: perhaps the club's is.
        for other in store.kitrooms()?.into_iter().filter(|other| other.id != room.id) {
            if !store.find_items(other.id, &piece.name)?.is_empty() {
                let (line, units) = item(app, store, other.id, piece)?;
                return Ok((foreign(store, &other, &line)?, units));
            }
        }
    }
    let (line, units) = item(app, store, room.id, piece)?;
    let record = store.record(room.id, &kinds::item::KIND, line.id)?;
    let body = record.as_ref().and_then(|record| shape::read(&record.body).ok());
    let Some(body) = body else {
        return Err(Error::refused(format!("{} cannot be read", line.name)).hint("use the newer tare"));
    };
    Ok((Found { id: item_id(line.id)?, body, elsewhere: None }, units))
}

/// By the name without the number, unless an item is called so with it.
fn item(app: &mut App<'_>, store: &Store, room: Uuid, piece: &Piece) -> Result<(ItemLine, Option<u32>)> {
    if piece.units.is_some() {
        let whole = store.find_items(room, &piece.whole)?;
        if let [one] = whole.as_slice() {
            return Ok((one.clone(), None));
        }
    }
    Ok((app.item(store, room, &piece.name)?, piece.units))
}

fn foreign(store: &mut Store, room: &Kitroom, line: &ItemLine) -> Result<Found> {
    let seen = store.seen(room, line.id)?;
    let kitroom = KitroomId::new(room.id).map_err(|why| Error::internal(why.to_string()))?;
    Ok(Found {
        id: item_id(line.id)?,
        body: seen.item.clone(),
        elsewhere: Some((kitroom, room.name.clone(), seen)),
    })
}

fn item_id(id: Uuid) -> Result<ItemId> {
    ItemId::new(id).map_err(|why| Error::internal("an item has no id of ours").because(why))
}

/// The merge patch from one body to another.
///
/// # Errors
/// When a body is no object.
pub fn difference(from: &LoadoutEntryBody, to: &LoadoutEntryBody) -> Result<Object> {
    let (Value::Object(from), Value::Object(to)) = (serde_json::to_value(from)?, serde_json::to_value(to)?)
    else {
        return Err(Error::internal("a record's body must be an object"));
    };
    let gone = from.keys().filter(|field| !to.contains_key(*field)).map(|field| (field.clone(), Value::Null));
    let new = to.iter().filter(|(field, value)| from.get(*field) != Some(value));
    Ok(gone.chain(new.map(|(field, value)| (field.clone(), value.clone()))).collect())
}
