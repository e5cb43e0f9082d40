//! `tare scale list`.

use domain::kinds::scale::KIND;
use domain::wire::scale::ScaleBody;
use domain::wire::shape;
use serde_json::json;

use crate::app::App;
use crate::error::Result;

/// Lists the scales.
///
/// # Errors
/// When the store cannot be read.
pub fn cmd_scale_list(app: &mut App<'_>) -> Result<()> {
    let store = app.store()?;
    let room = app.room(&store)?;
    let mut rows = Vec::new();
    let mut documents = Vec::new();
    for record in store.records(room.id, &KIND)?.iter().filter(|record| record.is_live()) {
        let Ok(scale) = shape::read::<ScaleBody>(&record.body) else { continue };
        let capacity = scale.capacity_g.map(|mass| mass.to_string()).unwrap_or_default();
        rows.push(vec![scale.name.to_string(), scale.resolution_g.to_string(), capacity]);
        documents.push(json!({ "id": record.id, "scale": scale }));
    }
    app.rows(&["name", "reads to", "capacity"], &rows, || json!({ "scales": documents }))
}
