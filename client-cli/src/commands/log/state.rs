//! What may follow on which state, and why an item is retired.

use domain::wire::log_entry::{ItemState, LogEvent, RetireReason};

use crate::app::App;
use crate::error::{Error, Result};
use crate::local::ItemLine;

/// The state in words.
#[must_use]
pub fn words(line: &ItemLine) -> String {
    let state = line.state.state.name().replace('_', " ");
    if line.state.state_contested { format!("{state}, and people disagree") } else { state }
}

/// Why the event makes no sense for an item as it is; the door itself would take it.
#[must_use]
pub fn refusal(event: LogEvent, line: &ItemLine) -> Option<Error> {
    // Where people disagree, each of these settles it.
    if event.sets().is_none() || line.state.state_contested {
        return None;
    }
    let (name, state) = (&line.name, line.state.state);
    let nothing = |why: String| Error::refused("nothing was saved").because(why);
    match (event, state) {
        (LogEvent::Reinstate, ItemState::Retired) => None,
        (LogEvent::Reinstate, ItemState::Quarantined) => Some(
            nothing(format!("{name} is not retired, it is quarantined"))
                .hint(format!("tare log clear {name}")),
        ),
        (LogEvent::Reinstate, _) => Some(nothing(format!("{name} is not retired"))),
        (LogEvent::Retire, ItemState::Retired) => {
            Some(nothing(format!("{name} is retired already")).hint(format!("tare log show {name}")))
        }
        (_, ItemState::Retired) => Some(
            nothing(format!("{name} is retired"))
                .hint(format!("to take it back into use: tare log reinstate {name}")),
        ),
        (event, state) if event.sets() == Some(state) => {
            let state = state.name().replace('_', " ");
            Some(nothing(format!("{name} is {state} already")))
        }
        _ => None,
    }
}

/// A reason for retiring, in words.
#[must_use]
pub fn reason_words(reason: RetireReason) -> &'static str {
    match reason {
        RetireReason::Leak => "leak (water comes through the fabric)",
        RetireReason::Delamination => "delamination (the layers come apart)",
        RetireReason::Seam => "seam (a seam or its tape)",
        RetireReason::Zip => "zip",
        RetireReason::Elastic => "elastic",
        RetireReason::Lost => "lost (not a failure)",
        RetireReason::Other => "other",
    }
}

/// Lets a person choose why an item is retired.
///
/// # Errors
/// When nobody can be asked, or none is chosen.
pub fn ask_reason(app: &mut App<'_>) -> Result<RetireReason> {
    let words: Vec<String> =
        RetireReason::ALL.iter().map(|reason| reason_words(*reason).to_owned()).collect();
    let names: Vec<&str> = RetireReason::ALL.iter().map(|reason| reason.name()).collect();
    let at = app.choose("why is it retired?", &words, &format!("--reason {}", names.join("|")))?;
    Ok(RetireReason::ALL[at])
}
