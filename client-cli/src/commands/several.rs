//! Several items on one command line, apart by commas: `shell, over-trousers`.

use crate::app::App;
use crate::error::{Error, Result};
use crate::local::items::fold;
use crate::local::{ItemLine, Store};
use uuid::Uuid;

/// The parts of what was typed. A name that itself holds a comma is taken whole.
///
/// # Errors
/// When the store cannot be read.
pub fn parts(store: &Store, room: Uuid, words: &[String]) -> Result<Vec<String>> {
    /// How many commas a name is thought to have at most.
    const COMMAS: usize = 3;
    let text = words.join(" ");
    let pieces: Vec<&str> = text.split(',').map(str::trim).filter(|piece| !piece.is_empty()).collect();
    let mut parts = Vec::new();
    let mut from = 0;
    while from < pieces.len() {
        let mut to = (from + 1 + COMMAS).min(pieces.len());
        while to > from + 1 && !is_named(store, room, &pieces[from..to].join(", "))? {
            to -= 1;
        }
        parts.push(pieces[from..to].join(", "));
        from = to;
    }
    Ok(parts)
}

fn is_named(store: &Store, room: Uuid, text: &str) -> Result<bool> {
    let wanted = fold(text);
    let is = |name: &str| fold(name) == wanted;
    let found = store.find_items(room, text)?;
    Ok(found.first().is_some_and(|line| is(&line.name) || line.tag.as_deref().is_some_and(is)))
}

/// The items that were named, each once. Where several match, those that `fit` go before the others.
///
/// # Errors
/// When none was named, or one is not clear.
pub fn items(
    app: &mut App<'_>,
    store: &Store,
    room: Uuid,
    words: &[String],
    fit: impl Fn(&ItemLine) -> bool,
) -> Result<Vec<ItemLine>> {
    let parts = parts(store, room, words)?;
    if parts.is_empty() {
        return Err(
            Error::usage("no item was named").hint("a part of its name or tag; several apart by commas")
        );
    }
    let mut lines: Vec<ItemLine> = Vec::new();
    for part in &parts {
        let line = app.item_where(store, room, part, &fit).map_err(|error| {
            // Names without commas between them read like one long name.
            let several = part.contains(' ') && words.len() > 1 && error.what.starts_with("no item here");
            if several {
                error.hint("see: tare item list; several items are told apart by commas")
            } else {
                error
            }
        })?;
        if lines.iter().all(|known| known.id != line.id) {
            lines.push(line);
        }
    }
    Ok(lines)
}
