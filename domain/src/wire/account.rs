//! Accounts, sessions and device tokens.

use serde::{Deserialize, Serialize};

use super::text::Name;
use crate::ids::AccountId;
use crate::time::Timestamp;

/// A login.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CreateSession {
    /// The account's e-mail address.
    #[cfg_attr(feature = "openapi", schema(max_length = 254, example = "runner@example.org"))]
    pub email: String,
    /// The password, exactly as chosen.
    #[cfg_attr(feature = "openapi", schema(max_length = 1024, format = Password))]
    pub password: String,
}

/// A pair of tokens.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SessionView {
    /// Goes into `Authorization: Bearer`.
    pub access_token: String,
    /// `Bearer`.
    #[cfg_attr(feature = "openapi", schema(example = "Bearer"))]
    pub token_type: String,
    /// How long the access token lasts, in seconds.
    pub expires_in_s: i64,
    /// Gets the next pair.
    pub refresh_token: String,
}

/// The account itself.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct AccountView {
    /// Its id.
    pub id: AccountId,
    /// Its e-mail address.
    pub email: String,
    /// Its name.
    pub name: String,
    /// Since when it exists.
    pub created_at: Timestamp,
}

/// A device token to make.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CreateDeviceToken {
    /// The device, as its owner would recognise it.
    pub name: Name,
}

/// A device token without its secret.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct DeviceTokenView {
    /// Its id.
    #[cfg_attr(feature = "openapi", schema(schema_with = crate::openapi::uuid_v7))]
    pub id: uuid::Uuid,
    /// The device.
    pub name: String,
    /// Since when it exists.
    pub created_at: Timestamp,
    /// When it was last used, to the minute.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub last_used_at: Option<Timestamp>,
    /// The secret: answered once, when it is made.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub token: Option<String>,
}

/// The account's device tokens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct DeviceTokenList {
    /// The tokens, oldest first.
    pub items: Vec<DeviceTokenView>,
}
