//! `tare item add`.

use domain::kinds::item::KIND;
use domain::sync::op::Action;
use serde_json::json;

use super::{ItemAddArgs, kind};
use crate::app::App;
use crate::error::Result;
use crate::local::Draft;

/// Adds an item.
///
/// # Errors
/// When a field is not valid.
pub fn cmd_item_add(app: &mut App<'_>, args: &ItemAddArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room_or_first(&mut store, None)?;
    let mut payload = args.fields.to_object()?;
    payload.insert("name".to_owned(), json!(args.name));
    payload.entry("kind").or_insert_with(|| json!(kind::guess(&args.name)));
    let twin = store.find_items(room.id, &args.name)?.into_iter().find(|line| line.name == args.name.trim());
    let record_id = store.new_id();
    store.act(room.id, &[Draft { kind: &KIND, record_id, action: Action::Create, payload }])?;
    if let Some(twin) = twin {
        app.ui.say(&format!("there is another {} already; a tag would tell them apart", twin.name));
    }
    let line = store.item(room.id, record_id)?;
    let words = line.as_ref().map(crate::app::describe).unwrap_or_default();
    app.done(&format!("{words}; saved on this device"), || super::show::to_json(line.as_ref(), None))
}
