//! Members of a kitroom, and the invitations by which they come.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use super::text::Name;
use crate::ids::{AccountId, KitroomId};
use crate::sync::op::Role;
use crate::time::Timestamp;

/// A member of a kitroom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MemberView {
    /// The account.
    pub account_id: AccountId,
    /// Its name.
    pub name: String,
    /// Its role.
    pub role: Role,
    /// Since when.
    pub created_at: Timestamp,
}

/// The members of a kitroom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MemberList {
    /// The members, in the order of their accounts.
    pub items: Vec<MemberView>,
    /// Where the next page begins; absent at the end.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub next_cursor: Option<String>,
}

/// Another role for a member.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct UpdateMember {
    /// The role.
    pub role: Role,
}

/// An invitation to make.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CreateInvitation {
    /// The role that whoever accepts gets.
    pub role: Role,
    /// For whom it is meant, as a reminder.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<Name>,
    /// For how long it is good, in hours; 168 (a week) when absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 720))]
    pub expires_in_h: Option<u32>,
}

/// An invitation. The secret is answered once, when it is made.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct InvitationView {
    /// Its id.
    #[cfg_attr(feature = "openapi", schema(schema_with = crate::openapi::uuid_v7))]
    pub id: Uuid,
    /// The role that whoever accepts gets.
    pub role: Role,
    /// For whom it is meant.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub note: Option<String>,
    /// When it was made.
    pub created_at: Timestamp,
    /// Until when it is good.
    pub expires_at: Timestamp,
    /// The secret to hand over.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub token: Option<String>,
}

/// The open invitations of a kitroom.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct InvitationList {
    /// The invitations, oldest first.
    pub items: Vec<InvitationView>,
}

/// An invitation taken up by an account that exists.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct CreateMembership {
    /// The invitation's secret.
    #[cfg_attr(feature = "openapi", schema(max_length = 200))]
    pub invitation: String,
}

/// A membership of the account that asks.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct MembershipView {
    /// The kitroom.
    pub kitroom_id: KitroomId,
    /// The role in it.
    pub role: Role,
}
