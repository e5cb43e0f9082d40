//! `tare unlink`.

use serde_json::json;
use uuid::Uuid;

use super::sync::linked;
use crate::app::App;
use crate::error::{Error, Result};
use crate::remote::address::Address;
use crate::remote::token::Keeper;
use crate::render::count;

/// Takes the link back: the token is ended and forgotten, everything else stays.
///
/// # Errors
/// When this device is not linked, or the token cannot be deleted.
pub fn cmd_unlink(app: &mut App<'_>) -> Result<()> {
    let store = app.store()?;
    let (Some(service), Some(keeper)) = (store.setting("service")?, store.setting("token_in")?) else {
        return Err(Error::refused("this device is not linked to a service"));
    };
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
    let mut pending = 0;
    for room in store.kitrooms()? {
        pending += store.outbox_counts(room.id)?.pending;
    }
    let mut words = format!("unlinked from {service}; what is on this device stays");
    if pending > 0 {
        words.push_str(&format!(", {} that were not sent included", count(pending, "change")));
    }
    if !ended {
        words.push_str(
            "\nthe service could not be told: the token is gone from here, but end it there too, in the account's list \
             of devices",
        );
    }
    app.done(&words, || json!({ "service": service, "token_ended": ended, "pending": pending }))
}
