//! Item after item from a scale, named by a list.

use std::collections::VecDeque;
use std::path::Path;

use domain::wire::item::ItemKind;

use super::WeighArgs;
use super::check::{self, Known};
use super::pick;
use super::session::Session;
use super::stream::Stream;
use super::taken::Taken;
use crate::app::App;
use crate::error::{Error, Result};

/// Weighs what comes from a scale, the items being named by a list.
///
/// # Errors
/// When the list cannot be read, a reading is refused, or the input ends before the list.
pub fn weigh_listed(
    app: &mut App<'_>,
    session: &mut Session<'_>,
    args: &WeighArgs,
    names: &str,
    mut stream: Stream,
) -> Result<()> {
    let mut names = list(names)?;
    app.ui.say(&format!("weighing {}'s kit from the {}", session.room.name, stream.describe()));
    if let Some(known) = &args.check {
        check_weight(app, session, &mut stream, known, args.check_u.as_deref())?;
    }
    let kind = pick::kind(args.kind.as_deref())?;
    while !names.is_empty() {
        let Some(taken) = stream.next(app.ui) else { break };
        let Some((name, listed_kind)) = names.pop_front() else { break };
        let target = pick::listed(session, &name, listed_kind.or(kind))?;
        let saved = session.save(&taken, &target, &args.conditions)?;
        app.ui.say(&saved.describe());
    }
    if names.is_empty() {
        return Ok(());
    }
    let left: Vec<String> = names.into_iter().map(|(name, _)| name).collect();
    Err(Error::refused("the recording ended before the list did")
        .because(format!("no reading for: {}", left.join(", ")))
        .hint("what was read before is saved"))
}

fn check_weight(
    app: &mut App<'_>,
    session: &mut Session<'_>,
    stream: &mut Stream,
    text: &str,
    u: Option<&str>,
) -> Result<()> {
    let (known, shown) = text.split_once('=').map_or((text, None), |(known, shown)| (known, Some(shown)));
    let known = Known::read(known, u)?;
    let taken = match shown {
        Some(shown) => Taken::typed(shown)?,
        None => stream.next(app.ui).ok_or_else(|| {
            Error::refused("the check weight was not read").because("there was no settled load")
        })?,
    };
    check::save(app, session, known, &taken)
}

/// A file with a name a line, a kind after a tab if one is known; or names apart by commas.
fn list(text: &str) -> Result<VecDeque<(String, Option<ItemKind>)>> {
    let path = Path::new(text);
    let lines: Vec<String> = if path.is_file() {
        let content = std::fs::read_to_string(path)
            .map_err(|error| Error::usage(format!("the list {text} cannot be read")).because(error))?;
        content.lines().map(str::to_owned).collect()
    } else {
        text.split(',').map(str::to_owned).collect()
    };
    let mut names = VecDeque::new();
    for line in lines.iter().map(|line| line.trim()).filter(|line| !line.is_empty() && !line.starts_with('#'))
    {
        let (name, kind) =
            line.split_once('\t').map_or((line, None), |(name, kind)| (name, Some(kind.trim())));
        names.push_back((name.trim().to_owned(), pick::kind(kind)?));
    }
    if names.is_empty() {
        return Err(
            Error::usage("the list names nothing").hint("give a name a line, or names apart by commas")
        );
    }
    Ok(names)
}
