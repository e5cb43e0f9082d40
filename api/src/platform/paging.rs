//! Pages: a stable order by id, and an opaque cursor that is checked against its kitroom and is no capability.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use domain::wire::problem::ErrorCode;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::error::ApiError;

/// How many records a page has when nothing is asked for.
pub const DEFAULT: i64 = 100;
/// The most records of a page.
pub const MAX: i64 = 500;

#[derive(Serialize, Deserialize)]
struct Cursor {
    k: Uuid,
    a: Uuid,
}

/// The size of the page.
///
/// # Errors
/// `validation-failed` outside 1 to [`MAX`]; it is never quietly moved.
pub fn limit(limit: Option<i64>) -> Result<i64, ApiError> {
    match limit {
        None => Ok(DEFAULT),
        Some(limit) if (1..=MAX).contains(&limit) => Ok(limit),
        Some(_) => Err(ApiError::field("?limit", "out-of-range", format!("must be from 1 to {MAX}"))),
    }
}

/// The id after which the page begins.
///
/// # Errors
/// `cursor-invalid` when it is none of ours, or another kitroom's.
pub fn after(scope: Uuid, cursor: Option<&str>) -> Result<Uuid, ApiError> {
    let Some(text) = cursor else { return Ok(Uuid::nil()) };
    let read =
        URL_SAFE_NO_PAD.decode(text).ok().and_then(|bytes| serde_json::from_slice::<Cursor>(&bytes).ok());
    match read {
        Some(cursor) if cursor.k == scope => Ok(cursor.a),
        _ => Err(ApiError::new(ErrorCode::CursorInvalid, "leave the cursor out to begin at the start")),
    }
}

/// Splits what was read with one row more than the page into the page and the next cursor.
pub fn page<T>(
    mut rows: Vec<T>,
    limit: i64,
    scope: Uuid,
    id: impl Fn(&T) -> Uuid,
) -> (Vec<T>, Option<String>) {
    let size = usize::try_from(limit).unwrap_or(usize::MAX);
    if rows.len() <= size {
        return (rows, None);
    }
    rows.truncate(size);
    let next = rows.last().map(|last| {
        let cursor = Cursor { k: scope, a: id(last) };
        URL_SAFE_NO_PAD.encode(serde_json::to_vec(&cursor).unwrap_or_default())
    });
    (rows, next)
}
