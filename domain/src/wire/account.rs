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

/// An exchange of a refresh token.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct RefreshSession {
    /// The refresh token.
    #[cfg_attr(feature = "openapi", schema(max_length = 200))]
    pub refresh_token: String,
    /// Made up and stored by the client before it asks: when the reply is lost, the same pair gets the same answer.
    pub rotation_id: uuid::Uuid,
}

/// A session, without its secrets.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SessionInfo {
    /// Its id.
    #[cfg_attr(feature = "openapi", schema(schema_with = crate::openapi::uuid_v7))]
    pub id: uuid::Uuid,
    /// When it began.
    pub created_at: Timestamp,
    /// When it was last refreshed.
    pub last_used_at: Timestamp,
    /// Whether it is the one that asks.
    pub current: bool,
}

/// The account's open sessions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SessionList {
    /// The sessions, oldest first.
    pub items: Vec<SessionInfo>,
}

/// What can be changed of an account.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct UpdateAccount {
    /// Its name.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(nullable = false))]
    pub name: Option<Name>,
}

/// Another password. Every other session ends.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct ChangePassword {
    /// The password so far.
    #[cfg_attr(feature = "openapi", schema(max_length = 1024, format = Password))]
    pub current_password: String,
    /// The new one: 8 to 1024 bytes, 15 or more are better; no rule about what is in it.
    #[cfg_attr(feature = "openapi", schema(min_length = 8, max_length = 1024, format = Password))]
    pub new_password: String,
    /// Whether device tokens end too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub revoke_device_tokens: Option<bool>,
}

/// The end of an account.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct DeleteAccount {
    /// The password.
    #[cfg_attr(feature = "openapi", schema(max_length = 1024, format = Password))]
    pub password: String,
}

/// An account to make with an invitation.
#[derive(Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CreateAccount {
    /// The e-mail address to log in with.
    #[cfg_attr(feature = "openapi", schema(max_length = 254, example = "runner@example.org"))]
    pub email: String,
    /// The password: 8 to 1024 bytes, 15 or more are better; no rule about what is in it.
    #[cfg_attr(feature = "openapi", schema(min_length = 8, max_length = 1024, format = Password))]
    pub password: String,
    /// The name that others see.
    pub name: Name,
    /// The invitation's secret.
    #[cfg_attr(feature = "openapi", schema(max_length = 200))]
    pub invitation: String,
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
    /// Counts the changes of this header.
    pub version: i64,
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
