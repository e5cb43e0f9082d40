//! `tare kitroom list`.

use serde_json::{Value, json};

use super::to_json;
use crate::app::App;
use crate::error::Result;
use crate::local::Place;

/// Lists the kitrooms on this device.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_kitroom_list(app: &mut App<'_>) -> Result<()> {
    let store = app.store()?;
    let current = store.current_kitroom()?.map(|room| room.id);
    let rooms = store.kitrooms()?;
    let mut rows = Vec::new();
    let mut documents: Vec<Value> = Vec::new();
    for room in &rooms {
        let items = store.item_count(room.id)?;
        let place = match room.place {
            Place::Here => "this device",
            Place::Apart => "this device only",
            Place::Linked => "this device and the service",
        };
        let used = if current == Some(room.id) { "in use" } else { "" };
        let role = room.role.name();
        rows.push(vec![
            room.name.clone(),
            room.purpose.name().to_owned(),
            role.to_owned(),
            items.to_string(),
            place.to_owned(),
            used.to_owned(),
        ]);
        let mut document = to_json(room);
        document["items"] = json!(items);
        document["in_use"] = json!(current == Some(room.id));
        documents.push(document);
    }
    app.rows(&["name", "purpose", "role", "items", "where", ""], &rows, || json!({ "kitrooms": documents }))
}
