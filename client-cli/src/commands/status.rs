//! `tare status`.

use serde_json::{Value, json};

use crate::app::App;
use crate::error::{Kind, Result};
use crate::local::Place;
use crate::render::count;

/// Says what is here, what is sent and what waits for a person.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_status(app: &mut App<'_>) -> Result<Option<Kind>> {
    let store = app.store()?;
    let service = store.setting("service")?;
    let current = store.current_kitroom()?.map(|room| room.id);
    let mut lines = Vec::new();
    let mut documents: Vec<Value> = Vec::new();
    let mut waiting = 0;
    for room in store.kitrooms()? {
        let counts = store.outbox_counts(room.id)?;
        let items = store.item_count(room.id)?;
        waiting += counts.rejected;
        let mut words = vec![count(items, "item")];
        words.push(match (room.place, counts.pending) {
            (Place::Apart, _) => "kept on this device only".to_owned(),
            (_, 0) => "nothing to send".to_owned(),
            (_, pending) => format!("{} not sent yet", count(pending, "change")),
        });
        if counts.unfit > 0 {
            words.push(format!("{} no longer fit what the service has", count(counts.unfit, "change")));
        }
        if counts.rejected > 0 {
            words.push(format!("{} refused: tare conflict list", count(counts.rejected, "change")));
        }
        let used = if current == Some(room.id) { "  (in use)" } else { "" };
        lines.push(format!("{}: {}{used}", room.name, words.join("; ")));
        documents.push(json!({
            "id": room.id, "name": room.name, "place": room.place.name(), "items": items,
            "pending": counts.pending, "unfit": counts.unfit, "acked": counts.acked, "rejected": counts.rejected,
            "conflicts": counts.conflicts, "aside": counts.aside, "base_seq": room.base_seq,
        }));
    }
    if lines.is_empty() {
        lines.push("nothing here yet; begin with: tare weigh".to_owned());
    }
    let last = store.setting("synced_at")?;
    lines.push(match (&service, &last) {
        (None, _) => "not linked to a service; everything is on this device".to_owned(),
        (Some(service), None) => format!("linked to {service}; not synced yet"),
        (Some(service), Some(at)) => {
            format!("linked to {service}; last synced {}", at.get(..16).unwrap_or(at).replace('T', " "))
        }
    });
    if app.ui.json {
        app.ui.json(&json!({
            "kitrooms": documents, "service": service, "synced_at": last, "waiting": waiting,
        }))?;
    } else {
        app.ui.data(&(lines.join("\n") + "\n"))?;
    }
    Ok((waiting > 0).then_some(Kind::Waiting))
}
