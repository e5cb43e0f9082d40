//! Answers of what is computed: JSON and pictures.

use actix_web::HttpResponse;
use domain::sync::canonical::whole_numbers_as_integers;
use serde::Serialize;

use super::error::ApiError;
use super::workers::Workers;

/// What was computed, as JSON: whole numbers are integers, as they are in stored records.
///
/// # Errors
/// `internal` when it cannot be written.
pub fn computed<T: Serialize>(value: &T) -> Result<HttpResponse, ApiError> {
    let mut value = serde_json::to_value(value)
        .map_err(|error| ApiError::internal("an answer cannot be written", error))?;
    whole_numbers_as_integers(&mut value);
    Ok(HttpResponse::Ok().json(value))
}

/// What takes computing, as JSON: worked out on a thread of its own.
///
/// # Errors
/// As [`computed`]; `unavailable` when all threads stay busy.
pub async fn worked_out<T: Serialize + Send + 'static>(
    workers: &Workers,
    act: impl FnOnce() -> T + Send + 'static,
) -> Result<HttpResponse, ApiError> {
    computed(&workers.brief(act).await?)
}

/// A picture.
#[must_use]
pub fn svg(picture: String) -> HttpResponse {
    HttpResponse::Ok().content_type("image/svg+xml").body(picture)
}
