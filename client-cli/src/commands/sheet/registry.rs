//! `tare sheet schema` and `tare sheet attributes`: what a rule sheet may hold.

use domain::rules::attributes::{REGISTRY, Source, Type};
use domain::rules::schema::schema;
use serde_json::json;

use crate::app::App;
use crate::error::Result;

/// Prints the JSON Schema.
///
/// # Errors
/// When it cannot be printed.
pub fn cmd_sheet_schema(app: &mut App<'_>) -> Result<()> {
    let text = serde_json::to_string_pretty(&schema())?;
    app.ui.data(&format!("{text}\n"))
}

/// Lists the attributes that a rule may test or sum, and how an item gets them.
///
/// # Errors
/// When it cannot be printed.
pub fn cmd_sheet_attributes(app: &mut App<'_>) -> Result<()> {
    let rows: Vec<Vec<String>> = REGISTRY
        .iter()
        .map(|attribute| {
            let value = match attribute.of {
                Type::Number => attribute.unit.to_owned(),
                Type::Boolean => "true or false".to_owned(),
                Type::Text => "a word".to_owned(),
                Type::Date => "a day".to_owned(),
                Type::Size => "mm x mm".to_owned(),
            };
            let from = match attribute.from {
                Source::Item => "the item",
                Source::Map => "--set",
                Source::Entry => "the loadout",
            };
            vec![attribute.name.to_owned(), value, from.to_owned(), attribute.words.to_owned()]
        })
        .collect();
    app.rows(&["name", "value", "from", "what it is"], &rows, || json!({ "attributes": REGISTRY }))
}
