//! The feed's cursor: a number, and the mark of the commit that holds it. A server that was restored or copied has
//! another mark there. It is no capability: the kitroom and the membership are checked every time.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use domain::wire::problem::ErrorCode;
use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::platform::error::ApiError;

/// What a cursor holds.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
pub struct Cursor {
    #[serde(rename = "v")]
    version: u8,
    /// The kitroom.
    #[serde(rename = "k")]
    pub kitroom: Uuid,
    /// Its epoch.
    #[serde(rename = "e")]
    pub epoch: Uuid,
    /// The last change that was delivered.
    #[serde(rename = "s")]
    pub seq: i64,
    /// The mark of the commit that holds it; empty before the first.
    #[serde(rename = "m")]
    pub mark: String,
    /// The version of the schema that its reader knew.
    #[serde(rename = "c")]
    pub schema: i32,
}

impl Cursor {
    /// At a change.
    #[must_use]
    pub fn new(kitroom: Uuid, epoch: Uuid, seq: i64, mark: Option<&[u8]>) -> Self {
        let mark = mark.map(|mark| URL_SAFE_NO_PAD.encode(mark)).unwrap_or_default();
        Self { version: 1, kitroom, epoch, seq, mark, schema: domain::wire::sync::SCHEMA_VERSION }
    }

    /// As text.
    #[must_use]
    pub fn encode(&self) -> String {
        URL_SAFE_NO_PAD.encode(serde_json::to_vec(self).unwrap_or_default())
    }

    /// From text.
    ///
    /// # Errors
    /// `cursor-invalid` when it is none of ours, or another kitroom's.
    pub fn decode(kitroom: Uuid, text: &str) -> Result<Self, ApiError> {
        let read =
            URL_SAFE_NO_PAD.decode(text).ok().and_then(|bytes| serde_json::from_slice::<Self>(&bytes).ok());
        read.filter(|cursor| cursor.version == 1 && cursor.kitroom == kitroom && cursor.seq >= 0).ok_or_else(
            || {
                ApiError::new(
                    ErrorCode::CursorInvalid,
                    "leave the cursor out to read the kitroom from its beginning",
                )
            },
        )
    }

    /// Whether it was made where the commit that holds its change has this mark.
    #[must_use]
    pub fn fits(&self, mark: Option<&[u8]>) -> bool {
        self.mark == mark.map(|mark| URL_SAFE_NO_PAD.encode(mark)).unwrap_or_default()
    }
}
