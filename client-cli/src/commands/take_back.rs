//! What `tare log undo` and `tare stock undo` share: a fact is chosen from the last ones and voided.

use domain::kinds::Kind;
use domain::time::Timestamp;
use uuid::Uuid;

use crate::app::App;
use crate::error::{Error, Result};
use crate::local::{Draft, ItemLine, Store};
use crate::render;

/// How many of the last facts are offered.
const OFFERED: usize = 10;

/// A fact about an item that can be taken back.
pub trait Fact {
    /// Its record.
    fn record(&self) -> Uuid;
    /// The item that it is about.
    fn item(&self) -> Uuid;
    /// When it was.
    fn observed_at(&self) -> Timestamp;
    /// What it says, in one line.
    fn describe(&self) -> String;
}

/// What is asked for.
#[derive(Debug)]
pub struct Asked<'a> {
    /// The kind of its record.
    pub kind: &'static Kind,
    /// What people call it.
    pub noun: &'a str,
    /// The newest one, without asking.
    pub last: bool,
    /// Whether all of them are about one item that was named.
    pub of_one_item: bool,
    /// Why, for whoever reads the history.
    pub reason: &'a str,
}

/// What was taken back.
#[derive(Debug)]
pub struct TakenBack {
    /// Its record.
    pub record: Uuid,
    /// The item as it is without it.
    pub line: ItemLine,
    /// What it was: when, of what, what it said.
    pub words: String,
}

/// Takes one of these facts back.
///
/// # Errors
/// When there is none, it is not clear which, or that is refused.
pub fn take_back<F: Fact>(
    app: &mut App<'_>,
    store: &mut Store,
    room: Uuid,
    mut facts: Vec<F>,
    asked: &Asked<'_>,
) -> Result<TakenBack> {
    // What was noted last is meant, whenever it happened.
    facts.sort_by_key(|fact| std::cmp::Reverse(fact.record()));
    let mut offered: Vec<(F, ItemLine)> = Vec::new();
    for fact in facts {
        if offered.len() == OFFERED {
            break;
        }
        if let Some(line) = store.item(room, fact.item())? {
            offered.push((fact, line));
        }
    }
    if offered.is_empty() {
        return Err(Error::refused(format!("there is no {} to take back", asked.noun)));
    }
    let lines: Vec<String> = offered
        .iter()
        .map(|(fact, line)| {
            format!("{}  {}: {}", render::minute(fact.observed_at()), line.name, fact.describe())
        })
        .collect();
    let at = if asked.last || (offered.len() == 1 && asked.of_one_item) {
        0
    } else {
        app.choose(&format!("which {} is taken back?", asked.noun), &lines, "--last for the newest")?
    };
    let (fact, line) = &offered[at];
    let record = fact.record();
    store.act(room, &[Draft::void(asked.kind, record, asked.reason)])?;
    let line = store.item(room, line.id)?.ok_or_else(|| Error::internal("the item has gone"))?;
    Ok(TakenBack { record, line, words: lines[at].clone() })
}
