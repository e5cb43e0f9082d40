//! What rules are written with: `/v1/attributes` and `/v1/rule-sheet.schema.json`.

use actix_web::{HttpResponse, get};
use domain::rules::attributes::{Attribute, REGISTRY};
use domain::rules::schema::schema;
use serde::Serialize;

/// What a rule may test or sum.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct AttributeList {
    /// The attributes, by name.
    items: &'static [Attribute],
}

/// The registry of attributes that a rule may test or sum, each with its type and unit. For everybody: no account needed.
#[utoipa::path(
    tag = "races",
    operation_id = "list_attributes",
    responses((status = 200, description = "All of them.", body = AttributeList))
)]
#[get("/attributes")]
pub async fn list_attributes() -> HttpResponse {
    HttpResponse::Ok().json(AttributeList { items: REGISTRY })
}

/// The JSON Schema (draft 2020-12) of a rule sheet, for editors and for programs that write sheets. For everybody.
#[utoipa::path(
    tag = "races",
    operation_id = "get_rule_sheet_schema",
    responses((
        status = 200,
        description = "The schema.",
        body = Object,
        content_type = "application/schema+json",
        example = json!({"$schema": "https://json-schema.org/draft/2020-12/schema", "title": "Rule sheet"})
    ))
)]
#[get("/rule-sheet.schema.json")]
pub async fn get_rule_sheet_schema() -> HttpResponse {
    HttpResponse::Ok().content_type("application/schema+json").json(schema())
}
