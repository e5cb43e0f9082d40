//! `tare loadout drop`.

use domain::ids::ItemId;
use domain::kinds::loadout_entry::KIND;
use domain::sync::op::Action;
use domain::wire::shape::Object;

use super::packed::{Line, Packed, counted};
use super::pieces::{Piece, pieces};
use super::place::{self, Spot};
use super::put::difference;
use super::{LoadoutDropArgs, after, open};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Draft;

/// Takes items out: all that were named or none.
///
/// # Errors
/// When a name is not clear, more is dropped than is there, or the loadout is sealed.
pub fn cmd_loadout_drop(app: &mut App<'_>, args: &LoadoutDropArgs) -> Result<()> {
    let pieces = pieces(&args.items)?;
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    open.refuse_sealed()?;
    let mut packed = Packed::of(&store, &open)?;
    let before = packed.lines.clone();
    let (mut words, mut touched) = (Vec::new(), Vec::new());
    for piece in &pieces {
        let item = packed.find(app, open.name(), &[&piece.whole, &piece.name])?;
        touched.push(item);
        words.extend(take_out(app, &mut packed, item, piece)?);
    }
    let drafts = drafts(&before, &packed, &mut words)?;
    store.act(open.room.id, &drafts)?;
    after::changed(app, &mut store, &open, &words, &touched)
}

fn take_out(app: &mut App<'_>, packed: &mut Packed, item: ItemId, piece: &Piece) -> Result<Vec<String>> {
    let spot = piece.place.as_deref().map(|text| place::named(app, packed, text)).transpose()?;
    let is = |line: &Line| {
        line.entry.body.item_id == item && spot.is_none_or(|spot| Spot::of(&line.entry.body) == spot)
    };
    let there: u32 = packed.lines.iter().filter(|line| is(line)).map(|line| line.entry.body.units()).sum();
    let name = packed.name_of(item).unwrap_or_default().to_owned();
    if there == 0 {
        return Err(Error::refused(format!("{name} is not there")).hint("see where it is: tare loadout show"));
    }
    let mut left = piece.units.unwrap_or(there);
    if left > there {
        return Err(Error::refused("nothing was taken out")
            .because(format!("{} to go, and there are {there}", counted(left, &name))));
    }
    let mut words = Vec::new();
    // The last put in goes first.
    for at in (0..packed.lines.len()).rev() {
        if left == 0 || !is(&packed.lines[at]) {
            continue;
        }
        let line = &mut packed.lines[at];
        let units = line.entry.body.units();
        let go = units.min(left);
        left -= go;
        let words_of = format!("{}: out", counted(go, &name));
        if go == units {
            packed.lines.remove(at);
            words.push(words_of);
        } else {
            line.entry.body.quantity = Some(units - go).filter(|n| *n > 1);
            words.push(format!("{words_of}, {} left", units - go));
        }
    }
    Ok(words)
}

/// What changed between the lines as they were and as they are. What lay inside something that goes is taken out of it.
fn drafts(before: &[Line], packed: &Packed, words: &mut Vec<String>) -> Result<Vec<Draft>> {
    let stays = |id: uuid::Uuid| packed.lines.iter().any(|line| line.entry.id == id);
    let mut drafts = Vec::new();
    for line in &packed.lines {
        let mut body = line.entry.body.clone();
        if body.inside_entry_id.is_some_and(|inside| !stays(inside.uuid())) {
            body.inside_entry_id = None;
            words.push(format!("{}: stowed, since what it lay in is out", line.counted()));
        }
        let was = before.iter().find(|was| was.entry.id == line.entry.id);
        let payload = difference(was.map_or(&line.entry.body, |was| &was.entry.body), &body)?;
        if !payload.is_empty() {
            drafts.push(Draft { kind: &KIND, record_id: line.entry.id, action: Action::Patch, payload });
        }
    }
    // Lines that lie inside others go before them.
    let mut gone: Vec<&Line> = before.iter().filter(|line| !stays(line.entry.id)).collect();
    gone.sort_by_key(|line| line.entry.body.inside_entry_id.is_none());
    let deletion = |line: &&Line| Draft {
        kind: &KIND,
        record_id: line.entry.id,
        action: Action::Delete,
        payload: Object::new(),
    };
    drafts.extend(gone.iter().map(deletion));
    Ok(drafts)
}
