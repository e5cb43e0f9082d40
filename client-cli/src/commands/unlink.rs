//! `tare unlink`.

use serde_json::{Value, json};
use uuid::Uuid;

use super::sync::linked;
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Place;
use crate::remote::address::Address;
use crate::remote::token::Keeper;
use crate::render::{count, wrapped};
use crate::sync::{export_unsent, take_lock};

/// Takes the link back: what is not sent is written out, the token is ended and forgotten, everything else stays.
///
/// # Errors
/// When this device is not linked, a sync runs, the unsent changes cannot be written out, or the token cannot be deleted.
pub fn cmd_unlink(app: &mut App<'_>) -> Result<()> {
    let store = app.store()?;
    let (Some(service), Some(keeper)) = (store.setting("service")?, store.setting("token_in")?) else {
        return Err(Error::refused("this device is not linked to a service"));
    };
    let _lock = take_lock(app.env)?;
    let mut lines = vec![format!("unlinked from {service}; what is on this device stays")];
    let mut exported: Vec<Value> = Vec::new();
    let mut pending = 0;
    for room in store.kitrooms()?.into_iter().filter(|room| room.place != Place::Apart) {
        pending += store.outbox_counts(room.id)?.pending;
        if let Some((file, changes)) = export_unsent(&store, &room)? {
            let n = count(i64::try_from(changes).unwrap_or(i64::MAX), "change");
            lines.push(format!(
                "what the service does not have of {}, {n}, is also in\n  {}",
                room.name,
                file.display()
            ));
            exported.push(json!({ "kitroom": room.name, "changes": changes, "file": file }));
        }
    }
    if pending > 0 {
        lines.push("link again to the same service and it is sent: tare link URL".to_owned());
    }
    let token_id = store.setting("token_id")?.and_then(|text| Uuid::parse_str(&text).ok());
    let ended = match (linked(&store), token_id) {
        (Ok(client), Some(id)) => client.end_device_token(id).is_ok(),
        _ => false,
    };
    if let (Ok(address), Some(keeper)) = (Address::parse(&service), Keeper::from_name(&keeper)) {
        keeper.forget(app.env, &address)?;
    }
    for name in ["service", "token_in", "token_id", "synced_at"] {
        store.set_setting(name, None)?;
    }
    if !ended {
        lines.push(wrapped(
            0,
            "the service could not be told: the token is gone from here, but end it there too, in the account's list of \
             devices",
        ));
    }
    app.done(
        &lines.join("\n"),
        || json!({ "service": service, "token_ended": ended, "pending": pending, "exported": exported }),
    )
}
