//! `tare sync --watch`.

use super::{linked, report};
use crate::app::App;
use crate::error::{Error, Kind, Result};
use crate::local::Store;
use crate::sync::Summary;
use crate::sync::watch::watch as go_on_syncing;

/// Syncs until the program is stopped. Says so when something has moved, or the service cannot be reached any more.
///
/// # Errors
/// When the service no longer accepts this device, or the store cannot be read.
pub fn watch(app: &mut App<'_>, store: &mut Store) -> Result<Option<Kind>> {
    let env = app.env.clone();
    let connect = || linked(&Store::open(&env)?);
    app.ui.say("watching; stop with Ctrl-C. What is not sent then is sent the next time");
    let mut was_unreachable = false;
    let mut troubles: Vec<String> = Vec::new();
    go_on_syncing(
        store,
        &connect,
        &mut |store, round| {
            match round {
                Ok(summary) => {
                    if was_unreachable {
                        app.ui.say("the service answers again");
                    }
                    was_unreachable = false;
                    let now: Vec<String> =
                        summary.troubles.iter().map(|trouble| trouble.error.to_string()).collect();
                    // The same trouble again is no news.
                    if moved(summary) || now != troubles {
                        say(app, store, summary)?;
                    }
                    troubles = now;
                }
                Err(error) => {
                    if !was_unreachable {
                        app.ui.say(&error.to_string());
                    }
                    was_unreachable = true;
                }
            }
            Ok(())
        },
        &|| true,
    )?;
    Ok(None)
}

fn moved(summary: &Summary) -> bool {
    let Summary { sent, contested, refused, received, removed, twins, restored, .. } = summary;
    sent + contested + refused + received > 0
        || !(removed.is_empty() && twins.is_empty() && restored.is_empty())
}

fn say(app: &mut App<'_>, store: &Store, summary: &Summary) -> Result<()> {
    match report(app, store, summary) {
        Ok(_) => Ok(()),
        Err(error) if is_told(&error) => {
            app.ui.say(&error.to_string());
            Ok(())
        }
        Err(error) => Err(error),
    }
}

/// A kitroom's trouble is told, and the others go on.
fn is_told(error: &Error) -> bool {
    error.kind == Kind::Refused
}
