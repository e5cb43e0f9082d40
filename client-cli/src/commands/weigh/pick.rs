//! Which item lies on the scale.

use std::collections::HashSet;

use domain::units::ReadingMg;
use domain::wire::item::ItemKind;
use uuid::Uuid;

use super::session::{Session, Target};
use crate::app::{App, describe};
use crate::commands::item::kind::guess;
use crate::error::{Error, Result};
use crate::local::ItemLine;

/// How far a reading may lie from an item's mass for that item to be likely: a fiftieth of it, and at least this, in
/// grams.
const NEAR_G: f64 = 2.0;

/// The item that most likely lies on the scale: of those not weighed in this run, the one whose mass is nearest, if it
/// is near at all.
///
/// # Errors
/// When the store cannot be read.
pub fn likely(session: &Session<'_>, reading: ReadingMg) -> Result<Option<ItemLine>> {
    let done: HashSet<Uuid> = session.standing().map(|saved| saved.item).collect();
    let near = session.store.items_near(session.room.id, reading.value(), NEAR_G)?;
    Ok(near.into_iter().find(|line| !done.contains(&line.id)))
}

/// What a typed name means: an item by a part of its name, or a new one. With a plus in front it is always new.
///
/// # Errors
/// When several items match and none is chosen.
pub fn named(app: &mut App<'_>, session: &Session<'_>, text: &str, kind: Option<ItemKind>) -> Result<Target> {
    let new =
        |name: &str| Target::New { name: name.trim().to_owned(), kind: kind.unwrap_or_else(|| guess(name)) };
    if let Some(name) = text.strip_prefix('+') {
        return Ok(new(name));
    }
    let mut found = session.store.find_items(session.room.id, text)?;
    match found.len() {
        0 => Ok(new(text)),
        1 => Ok(there(found.remove(0))),
        _ => {
            let mut lines: Vec<String> = found.iter().map(describe).collect();
            lines.push(format!("a new item: {text}"));
            let at = app.choose(&format!("several items match {text}:"), &lines, "more of the name")?;
            Ok(if at < found.len() { there(found.remove(at)) } else { new(text) })
        }
    }
}

/// What a name in a list means: the item of exactly this name or tag, else a new one. A part of a name is not enough
/// where nobody looks on.
///
/// # Errors
/// When several items have this name.
pub fn listed(session: &Session<'_>, name: &str, kind: Option<ItemKind>) -> Result<Target> {
    let wanted = crate::local::items::fold(name);
    let found = session.store.find_items(session.room.id, name)?.into_iter();
    let fold = crate::local::items::fold;
    let mut exact: Vec<ItemLine> = found
        .filter(|line| fold(&line.name) == wanted || line.tag.as_deref().map(fold).as_ref() == Some(&wanted))
        .collect();
    match exact.len() {
        0 => Ok(Target::New { name: name.trim().to_owned(), kind: kind.unwrap_or_else(|| guess(name)) }),
        1 => Ok(there(exact.remove(0))),
        n => Err(Error::usage(format!("{n} items are called {name}")).hint("give the tag of one of them")),
    }
}

/// An item that is there.
#[must_use]
pub fn there(line: ItemLine) -> Target {
    Target::There { id: line.id, name: line.name }
}

/// A kind as it is named on the command line.
///
/// # Errors
/// When there is no such kind.
pub fn kind(name: Option<&str>) -> Result<Option<ItemKind>> {
    let Some(name) = name else { return Ok(None) };
    let known = || ItemKind::ALL.iter().map(|kind| kind.name()).collect::<Vec<_>>().join(" ");
    match ItemKind::from_name(name) {
        Some(kind) => Ok(Some(kind)),
        None => Err(Error::usage(format!("there is no kind {name}")).hint(format!("one of: {}", known()))),
    }
}
