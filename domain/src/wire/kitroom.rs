//! Kitrooms.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::text::Name;
use crate::ids::KitroomId;
use crate::sync::op::Role;
use crate::time::Timestamp;

/// Whose kit it is. Closed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(rename_all = "snake_case")]
pub enum Purpose {
    /// One runner's; an account owns at most one.
    Personal,
    /// A club's.
    Club,
}

impl Purpose {
    /// The name on the wire.
    #[must_use]
    pub fn name(self) -> &'static str {
        match self {
            Purpose::Personal => "personal",
            Purpose::Club => "club",
        }
    }
}

/// A kitroom to make.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CreateKitroom {
    /// The id that a device gave it offline.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub id: Option<KitroomId>,
    /// Its name.
    pub name: Name,
    /// Whose kit it is.
    pub purpose: Purpose,
}

/// What can be changed of a kitroom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct UpdateKitroom {
    /// Its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(nullable = false))]
    pub name: Option<Name>,
}

/// A kitroom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct KitroomView {
    /// Its id.
    pub id: KitroomId,
    /// Its name.
    pub name: String,
    /// Whose kit it is.
    pub purpose: Purpose,
    /// The asking account's role in it.
    pub role: Role,
    /// Counts the changes of this header.
    pub version: i64,
    /// Its epoch: another one means that the server was restored or copied.
    pub epoch: Uuid,
    /// The number of its last change.
    pub head_seq: i64,
    /// Since when it exists.
    pub created_at: Timestamp,
}

/// A page of kitrooms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct KitroomList {
    /// The kitrooms.
    pub items: Vec<KitroomView>,
    /// Where the next page begins; absent at the end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_cursor: Option<String>,
}
