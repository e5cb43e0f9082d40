//! Schemas of the types that have no derived one.

use utoipa::openapi::RefOr;
use utoipa::openapi::schema::{KnownFormat, ObjectBuilder, Schema, SchemaFormat, Type};

/// A UUID of version 7 in its hyphenated form.
#[must_use]
pub fn uuid_v7() -> RefOr<Schema> {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::Uuid)))
        .pattern(Some("^[0-9a-f]{8}-[0-9a-f]{4}-7[0-9a-f]{3}-[89ab][0-9a-f]{3}-[0-9a-f]{12}$"))
        .description(Some("UUID version 7 (RFC 9562)"))
        .examples([serde_json::json!("017f22e2-79b0-7cc3-98c4-dc0c0c07398f")])
        .into()
}

/// A number in a unit, with its range and the number of decimals that are kept.
#[must_use]
pub fn quantity(low: f64, high: f64, decimals: u32, unit: &str) -> RefOr<Schema> {
    let number = ObjectBuilder::new().minimum(Some(low)).maximum(Some(high));
    if decimals == 0 {
        number.schema_type(Type::Integer).description(Some(unit)).into()
    } else {
        number
            .schema_type(Type::Number)
            .multiple_of(Some(10f64.powi(-(decimals as i32))))
            .description(Some(format!("{unit}, at most {decimals} decimals")))
            .into()
    }
}

/// One of a closed list of words.
#[must_use]
pub fn words(names: impl Iterator<Item = &'static str>) -> RefOr<Schema> {
    ObjectBuilder::new().schema_type(Type::String).enum_values(Some(names)).into()
}

/// An instant, RFC 3339.
#[must_use]
pub fn date_time() -> RefOr<Schema> {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .format(Some(SchemaFormat::KnownFormat(KnownFormat::DateTime)))
        .description(Some("RFC 3339 with an offset, from 1970 to 9999; kept in UTC to the millisecond"))
        .pattern(Some("^(19[7-9][0-9]|[2-9][0-9]{3})-"))
        .examples([serde_json::json!("2026-03-01T05:10:00.000Z")])
        .into()
}

/// Not blank, and no control character but a line break and a tab.
const TEXT: &str = r"^[^\x00-\x08\x0b-\x1f\x7f-\x9f]*[^\s\x00-\x1f\x7f-\x9f][^\x00-\x08\x0b-\x1f\x7f-\x9f]*$";

/// Text of 1 to `max` characters that is not blank.
#[must_use]
pub fn text(max: usize) -> RefOr<Schema> {
    ObjectBuilder::new()
        .schema_type(Type::String)
        .min_length(Some(1))
        .max_length(Some(max))
        .pattern(Some(TEXT))
        .description(Some("not blank; blank ends are cut off; no control characters"))
        .into()
}
