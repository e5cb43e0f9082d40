//! Item after item, the numbers typed.

use super::WeighArgs;
use super::check::{self, Known};
use super::conditions::Conditions;
use super::keys::{self, Line};
use super::pick;
use super::session::{Session, Target};
use super::taken::Taken;
use crate::app::App;
use crate::error::{Error, Result};

/// Asks for readings and names until the end.
///
/// # Errors
/// When something is refused and nobody is there to mend it.
pub fn weigh_typed(app: &mut App<'_>, session: &mut Session<'_>, args: &WeighArgs) -> Result<()> {
    app.ui.say(&format!(
        "weighing {}'s kit on {}, which reads to {}",
        session.room.name, session.scale.name, session.scale.resolution
    ));
    match args.check.as_deref().map(|text| text.split_once('=')) {
        Some(Some((known, shown))) => {
            let known = Known::read(known, args.check_u.as_deref())?;
            check::save(app, session, known, &Taken::typed(shown)?)?;
        }
        Some(None) => {
            return Err(Error::usage("what the scale shows for the check weight is missing")
                .hint("as in --check 200=201"));
        }
        None if args.no_check || !app.ui.can_ask => {}
        None => check::ask(app, session)?,
    }
    app.ui.say("type what the scale shows, then the item; w wet, f full, x3 units, u undo, q end");
    let mut conditions = args.conditions.clone();
    loop {
        let prompt = match conditions.describe().as_str() {
            "" => "> ".to_owned(),
            words => format!("{words} > "),
        };
        let Some(line) = app.ui.ask(&prompt)? else {
            app.ui.say("");
            return Ok(());
        };
        match keys::read(&line, &conditions) {
            Line::Enter | Line::Skip => {}
            Line::Quit => return Ok(()),
            Line::Undo => undo(app, session)?,
            Line::Check(text) => check_now(app, session, &text)?,
            Line::Other(name) => other(app, session, &name, args)?,
            Line::Keys(changed) => conditions = changed,
            Line::Text(text) => {
                let outcome =
                    Taken::typed(&text).and_then(|taken| place(app, session, &taken, &conditions, args));
                match outcome {
                    Ok(Placed::Done) => conditions = args.conditions.clone(),
                    Ok(Placed::End) => return Ok(()),
                    Err(error) if app.ui.can_ask => app.ui.say(&error.to_string()),
                    Err(error) => return Err(error),
                }
            }
        }
    }
}

/// Where a reading went.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Placed {
    /// It is saved, or was let go.
    Done,
    /// The sitting ends.
    End,
}

/// Asks what a reading is of, and saves it.
///
/// # Errors
/// When it is refused and nobody is there to mend it.
pub fn place(
    app: &mut App<'_>,
    session: &mut Session<'_>,
    taken: &Taken,
    conditions: &Conditions,
    args: &WeighArgs,
) -> Result<Placed> {
    let kind = pick::kind(args.kind.as_deref())?;
    let mut conditions = conditions.clone();
    loop {
        let likely = pick::likely(session, conditions.unit_g(taken.reading))?.into_iter().next();
        let mut prompt = taken.reading.to_string();
        for part in
            [conditions.describe(), likely.as_ref().map(|l| format!("[{}]", l.name)).unwrap_or_default()]
        {
            if !part.is_empty() {
                prompt.push(' ');
                prompt.push_str(&part);
            }
        }
        let Some(line) = app.ui.ask(&format!("{prompt} > "))? else {
            app.ui.say(&format!("{} was not saved: no item was named", taken.reading));
            return Ok(Placed::End);
        };
        let target: Result<Target> = match (keys::read(&line, &conditions), likely) {
            (Line::Quit, _) => {
                app.ui.say(&format!("{} was not saved: no item was named", taken.reading));
                return Ok(Placed::End);
            }
            (Line::Skip, _) => return Ok(Placed::Done),
            (Line::Undo, _) => {
                undo(app, session)?;
                continue;
            }
            (Line::Check(_), _) => {
                app.ui.say(&format!("{} has no item yet: name it, or s to let it go", taken.reading));
                continue;
            }
            (Line::Other(name), _) => {
                other(app, session, &name, args)?;
                continue;
            }
            (Line::Keys(changed), _) => {
                conditions = changed;
                continue;
            }
            (Line::Enter, Some(likely)) => Ok(pick::there(likely)),
            (Line::Enter, None) => {
                app.ui.say("type a part of the item's name, a new name, or s to let this reading go");
                continue;
            }
            (Line::Text(text), _) if Taken::typed(&text).is_ok() => {
                // A number typed here is the next reading more often than a name.
                app.ui.say(&format!(
                    "{text} is a reading, and {} has no item yet: name it, or s to let it go (+{text} makes an item of \
                     that name)",
                    taken.reading
                ));
                continue;
            }
            (Line::Text(text), _) => pick::named(app, session, &text, kind),
        };
        match target.and_then(|target| session.save(taken, &target, &conditions)) {
            Ok(saved) => {
                app.ui.say(&saved.describe());
                return Ok(Placed::Done);
            }
            Err(error) if app.ui.can_ask => app.ui.say(&error.to_string()),
            Err(error) => return Err(error),
        }
    }
}

fn undo(app: &mut App<'_>, session: &mut Session<'_>) -> Result<()> {
    let words = undone(session)?;
    app.ui.say(&words);
    Ok(())
}

/// Takes the last weighing back; answers what that means.
///
/// # Errors
/// When the store cannot be written.
pub fn undone(session: &mut Session<'_>) -> Result<String> {
    Ok(match session.undo()? {
        Some(saved) => {
            let (mass, _) = crate::render::mass(saved.mass.as_ref());
            format!("  undone: {} of {}; it is {mass} again", saved.reading, saved.name)
        }
        None => "there is nothing of this sitting left to undo".to_owned(),
    })
}

/// "That was the other glove".
fn other(app: &mut App<'_>, session: &mut Session<'_>, name: &str, args: &WeighArgs) -> Result<()> {
    let kind = pick::kind(args.kind.as_deref())?;
    match pick::named(app, session, name, kind).and_then(|target| corrected(session, &target)) {
        Ok(words) => app.ui.say(&words),
        Err(error) if app.ui.can_ask => app.ui.say(&error.to_string()),
        Err(error) => return Err(error),
    }
    Ok(())
}

/// Gives the last weighing to another item; answers what that means.
///
/// # Errors
/// When it is refused.
pub fn corrected(session: &mut Session<'_>, target: &Target) -> Result<String> {
    Ok(match session.correct(target)? {
        Some((old, new)) => {
            let (mass, _) = crate::render::mass(old.mass.as_ref());
            format!("{}; {} is {mass} again", new.describe(), old.name)
        }
        None => "there is nothing of this sitting left to correct".to_owned(),
    })
}

/// `c 200=201`, or `c 200` and then what the scale shows.
fn check_now(app: &mut App<'_>, session: &mut Session<'_>, text: &str) -> Result<()> {
    let outcome = match text.split_once('=') {
        Some((known, shown)) => Known::read(known, None).map(|known| (known, shown.to_owned())),
        None => match Known::read(text, None) {
            Ok(known) => app.ui.ask("the scale shows > ").map(|shown| (known, shown.unwrap_or_default())),
            Err(error) => Err(error),
        },
    };
    let saved = outcome.and_then(|(known, shown)| check::save(app, session, known, &Taken::typed(&shown)?));
    match saved {
        Err(error) if app.ui.can_ask => app.ui.say(&error.to_string()),
        other => return other,
    }
    Ok(())
}
