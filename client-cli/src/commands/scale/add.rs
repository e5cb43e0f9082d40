//! `tare scale add`.

use domain::kinds::scale::KIND;
use domain::wire::scale::ScaleBody;
use domain::wire::text::Name;
use serde_json::json;

use super::{ScaleAddArgs, typed_mass};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Draft;

/// Adds a scale.
///
/// # Errors
/// When a value is not valid.
pub fn cmd_scale_add(app: &mut App<'_>, args: &ScaleAddArgs) -> Result<()> {
    let mut store = app.store()?;
    let room = app.room_or_first(&mut store, None)?;
    let name = Name::new(&args.name)
        .map_err(|why| Error::usage("the scale was not added").because(format!("its name {why}")))?;
    let body = ScaleBody {
        name,
        resolution_g: typed_mass("the step", &args.reads_to)?,
        capacity_g: args.capacity.as_deref().map(|text| typed_mass("the capacity", text)).transpose()?,
    };
    let id = store.new_id();
    store.act(room.id, &[Draft::make(&KIND, id, &body)?])?;
    let words = format!("{} reads to {}; saved on this device", body.name, body.resolution_g);
    app.done(&words, || json!({ "id": id, "scale": body }))
}
