//! Which item lies on the scale.

use std::collections::HashSet;

use domain::time::Timestamp;
use domain::wire::item::ItemKind;
use domain::wire::mass::MassBasis;
use uuid::Uuid;

use super::session::{Session, Target};
use crate::app::{App, describe};
use crate::commands::item::kind::guess;
use crate::error::{Error, Result};
use crate::local::{ItemLine, Store};

/// How far a reading may lie from an item's measured mass for that item to be likely, in grams and as a share of it.
const NEAR: (f64, f64) = (2.0, 0.02);
/// The same from what its label says, which is less true (judgement: common practice, no source).
const NEAR_LABEL: (f64, f64) = (5.0, 0.1);
/// An item weighed within so many days was weighed this season.
pub const SEASON_D: i64 = 365;

/// The beginning of the season that ends now.
#[must_use]
pub fn season_start(now: Timestamp) -> Timestamp {
    Timestamp::from_millis(now.millis() - SEASON_D * 86_400_000).unwrap_or(now)
}

/// The items that may lie on the scale, likeliest first: none of those weighed in this run; those not weighed this season
/// before the others; among them the nearest to its mass. `unit_g` is what one unit weighs by the reading.
///
/// # Errors
/// When the store cannot be read.
pub fn likely(session: &Session<'_>, unit_g: f64) -> Result<Vec<ItemLine>> {
    let done: HashSet<Uuid> = session.standing().map(|saved| saved.item).collect();
    let since = season_start(session.store.env().now());
    let mut near = session.store.items_near(session.room.id, unit_g, NEAR_LABEL.0, NEAR_LABEL.1)?;
    near.retain(|line| {
        let Some(mass) = &line.mass else { return false };
        let (grams, share) = if mass.mass_basis == MassBasis::Measured { NEAR } else { NEAR_LABEL };
        let is_near = mass.mass_g.is_some_and(|mass_g| (mass_g - unit_g).abs() <= grams.max(mass_g * share));
        is_near && !done.contains(&line.id)
    });
    // A stable sort: within each of the two, the order by distance stays.
    near.sort_by_key(|line| {
        line.mass.as_ref().and_then(|mass| mass.last_weighed_at).is_some_and(|at| at >= since)
    });
    Ok(near)
}

/// What a typed name may mean, each with how it reads: one of several items, or a new one, which comes last.
///
/// # Errors
/// When the store cannot be read.
pub fn candidates(
    session: &Session<'_>,
    text: &str,
    kind: Option<ItemKind>,
) -> Result<Vec<(String, Target)>> {
    let new =
        |name: &str| Target::New { name: name.trim().to_owned(), kind: kind.unwrap_or_else(|| guess(name)) };
    if let Some(name) = text.strip_prefix('+') {
        return Ok(vec![(format!("a new item: {}", name.trim()), new(name))]);
    }
    let found = session.store.find_items(session.room.id, text)?;
    let only = found.len() == 1;
    let mut meant: Vec<(String, Target)> =
        found.into_iter().map(|line| (describe(&line), there(line))).collect();
    if !only {
        meant.push((format!("a new item: {text}"), new(text)));
    }
    Ok(meant)
}

/// What a typed name means: an item by a part of its name, or a new one. With a plus in front it is always new.
///
/// # Errors
/// When several items match and none is chosen.
pub fn named(app: &mut App<'_>, session: &Session<'_>, text: &str, kind: Option<ItemKind>) -> Result<Target> {
    let mut meant = candidates(session, text, kind)?;
    let at = if meant.len() == 1 {
        0
    } else {
        let lines: Vec<String> = meant.iter().map(|(words, _)| words.clone()).collect();
        app.choose(&format!("several items match {text}:"), &lines, "more of the name")?
    };
    Ok(meant.swap_remove(at).1)
}

/// What a name in a list means: the item of exactly this name or tag, else a new one. A part of a name is not enough
/// where nobody looks on.
///
/// # Errors
/// When several items have this name.
pub fn listed(session: &Session<'_>, name: &str, kind: Option<ItemKind>) -> Result<Target> {
    named_exactly(session.store, session.room.id, name, kind)
}

/// The same, where there is no sitting yet.
///
/// # Errors
/// When several items have this name.
pub fn named_exactly(store: &Store, room: Uuid, name: &str, kind: Option<ItemKind>) -> Result<Target> {
    let wanted = crate::local::items::fold(name);
    let found = store.find_items(room, name)?.into_iter();
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
