//! What a sync did, in words.

use serde_json::{Value, json};

use crate::app::App;
use crate::error::{Error, Kind, Result};
use crate::local::{Moved, Store};
use crate::render::{count, wrapped};
use crate::sync::{Summary, take_lock};

/// Says what a sync did, and what waits for the person.
///
/// # Errors
/// When a kitroom could not be synced, or the output cannot be written.
pub fn report(app: &mut App<'_>, store: &Store, summary: &Summary) -> Result<Option<Kind>> {
    asides(app, summary);
    let mut waiting = crate::local::Waiting::default();
    for room in store.kitrooms()? {
        waiting = waiting.plus(store.waiting(room.id)?);
    }
    let mut words = format!("sent {}, received {}", summary.sent, summary.received);
    if let Some(more) = waiting.words() {
        words.push_str(&format!("; {more}: tare conflict list"));
    }
    app.done(wrapped(0, &words).trim_end(), || as_json(summary, waiting.all()))?;
    match summary.troubles.split_first() {
        None => Ok((waiting.all() > 0).then_some(Kind::Waiting)),
        Some((first, rest)) => {
            for trouble in rest {
                app.ui.say(&format!("{}: {}", trouble.kitroom, trouble.error));
            }
            Err(first.error.clone())
        }
    }
}

/// What a person should know beside the numbers.
fn asides(app: &mut App<'_>, summary: &Summary) {
    for removed in &summary.removed {
        let name = &removed.kitroom;
        app.ui.say(&format!("you are no longer in {name}; it is off this device"));
        if let Some((file, changes)) = &removed.exported {
            let changes = count(i64::try_from(*changes).unwrap_or(i64::MAX), "change");
            app.ui.say(&format!(
                "  what the service did not get from you, {changes}, is in\n  {}",
                file.display()
            ));
        }
    }
    for (name, lost) in &summary.restored {
        let lost = count(*lost, "record");
        app.ui.say(&wrapped(0, &format!(
            "the service was put back to an earlier state. It may have lost {lost} of {name} that it had told this device \
             before; here nothing of them is lost. Decide what becomes of them: tare conflict list"
        )));
    }
    if summary.taken_up > 0 {
        let words = count(summary.taken_up, "change");
        app.ui.say(&wrapped(
            0,
            &format!(
                "{words} that the service had refused for want of something went again: it is there now"
            ),
        ));
    }
    if !summary.twins.is_empty() {
        app.ui.say(&format!("two things each are called: {}", summary.twins.join(", ")));
    }
    if let Some(words) = summary.clock.and_then(clock_words) {
        app.ui.say(&wrapped(0, &words));
    }
}

/// What to say about a clock that is off by so many milliseconds; nothing when that is little.
#[must_use]
pub fn clock_words(off_ms: i64) -> Option<String> {
    const NOTICED_MS: u64 = 300_000;
    let off = off_ms.unsigned_abs();
    if off < NOTICED_MS {
        return None;
    }
    let (minutes, way) = (off / 60_000, if off_ms > 0 { "ahead of" } else { "behind" });
    let by = match minutes {
        0..120 => format!("{minutes} min"),
        120..2880 => format!("{} h", (minutes + 30) / 60),
        _ => format!("{} days", (minutes + 720) / 1440),
    };
    Some(format!(
        "this device's clock is {by} {way} the service's. Syncing does not mind, but times of weighings and events are taken \
         from it: set it right"
    ))
}

fn as_json(summary: &Summary, waiting: i64) -> Value {
    let troubles: Vec<Value> = summary
        .troubles
        .iter()
        .map(|trouble| json!({ "kitroom": trouble.kitroom, "error": trouble.error.to_json()["error"] }))
        .collect();
    let removed: Vec<Value> = summary
        .removed
        .iter()
        .map(|removed| {
            json!({
                "kitroom": removed.kitroom,
                "exported_to": removed.exported.as_ref().map(|(file, _)| file),
                "exported": removed.exported.as_ref().map_or(0, |(_, changes)| *changes),
            })
        })
        .collect();
    let restored: Vec<Value> =
        summary.restored.iter().map(|(name, lost)| json!({ "kitroom": name, "lost": lost })).collect();
    json!({
        "sent": summary.sent, "received": summary.received, "refused": summary.refused, "taken_up": summary.taken_up,
        "contested": summary.contested, "waiting": waiting, "removed": removed, "restored": restored,
        "troubles": troubles, "clock_off_ms": summary.clock,
    })
}

/// When the folder was copied or put back from a copy: asks what it is, and gives it numbers of its own unless the
/// person knows that it has only moved. `shares_login` says whether it goes on with the login that was copied, too.
///
/// # Errors
/// When another sync runs, or the store cannot be written.
pub fn settle_place(app: &mut App<'_>, store: &mut Store, shares_login: bool) -> Result<()> {
    let Some(moved) = store.moved()? else { return Ok(()) };
    let what = match moved {
        Moved::OtherMachine => "this folder was made on another machine",
        Moved::OtherFile => "this folder was copied, or put back from a backup",
    };
    let mut keeps = false;
    if app.ui.can_ask {
        app.ui.say(what);
        let prompt = "is the other one still in use? yes, or not sure [Enter] / no, it moved here [n] > ";
        let answer = app.ui.ask(prompt)?;
        let answer =
            answer.ok_or_else(|| Error::refused("nothing was done").because("there was no answer"))?;
        keeps = matches!(answer.trim(), "n" | "no");
    }
    let _lock = take_lock(&app.env.clone())?;
    store.settle_here(keeps)?;
    if !keeps {
        app.ui.say(&wrapped(
            0,
            &format!("{what}: it is a device of its own from now on, and nothing is sent twice"),
        ));
        if shares_login {
            app.ui.say("it still uses the login of the other; give it one of its own: tare link URL");
        }
    }
    Ok(())
}
