//! The sync calls.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::ids::KitroomId;
use crate::sync::op::{Action, OpResult, Role};
use crate::time::Timestamp;
use crate::wire::shape::Object;

/// The version of the protocol's schema that this build speaks.
pub const SCHEMA_VERSION: i32 = 1;
/// The most ops of one push, and so of one group.
pub const MAX_OPS: usize = 500;
/// The most bytes of a push, after decompression.
pub const MAX_PUSH_BYTES: usize = 1024 * 1024;
/// The most bytes of one record in canonical form.
pub const MAX_RECORD_BYTES: usize = 64 * 1024;
/// The most changes of one page, and how many there are when nothing is asked for.
pub const MAX_CHANGES: i64 = 2000;
/// See [`MAX_CHANGES`].
pub const DEFAULT_CHANGES: i64 = 500;

/// One op as it is pushed. `patch` holds the content of a patch, `value` that of every other action.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct PushOp {
    /// The op's id, UUIDv7: the same id is the same op for ever.
    #[cfg_attr(feature = "openapi", schema(schema_with = crate::openapi::uuid_v7))]
    pub op_id: Uuid,
    /// Its number within (replica, kitroom), from 1 without gaps.
    #[cfg_attr(feature = "openapi", schema(minimum = 1, maximum = 9_007_199_254_740_991_i64))]
    pub op_no: i64,
    /// Ops with the same group commit together; they stand next to each other.
    #[cfg_attr(feature = "openapi", schema(min_length = 1, max_length = 64))]
    pub group: String,
    /// The kind of record.
    #[cfg_attr(feature = "openapi", schema(example = "weighing"))]
    pub kind: String,
    /// The record, UUIDv7.
    #[cfg_attr(feature = "openapi", schema(schema_with = crate::openapi::uuid_v7))]
    pub record_id: Uuid,
    /// What to do.
    pub action: Action,
    /// The last change of the kitroom that its author had seen.
    #[cfg_attr(feature = "openapi", schema(minimum = 0, maximum = 9_007_199_254_740_991_i64))]
    pub base_seq: i64,
    /// The content of a patch (RFC 7396).
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub patch: Option<Object>,
    /// The content of every other action.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub value: Option<Object>,
    /// When it was done, by the device's clock. Decides nothing.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub done_at: Option<Timestamp>,
}

/// A push.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(deny_unknown_fields)]
pub struct PushRequest {
    /// The replica that sends, UUIDv7.
    #[cfg_attr(feature = "openapi", schema(schema_with = crate::openapi::uuid_v7))]
    pub replica_id: Uuid,
    /// The version of the schema that its ops are written in.
    #[cfg_attr(feature = "openapi", schema(minimum = 0, maximum = 1_000_000))]
    pub schema_version: i32,
    /// The ops, in the order of their numbers.
    #[cfg_attr(feature = "openapi", schema(max_items = 500))]
    pub ops: Vec<PushOp>,
}

/// The answer to a push: one result per op, in the order sent.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct PushResponse {
    /// The kitroom's epoch.
    pub epoch: Uuid,
    /// The number of the kitroom's last change.
    pub head_seq: i64,
    /// What became of each op.
    pub results: Vec<OpResult>,
}

/// One record as it stands now.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Change {
    /// The number of its last change.
    pub seq: i64,
    /// Its kind.
    pub kind: String,
    /// Its id.
    pub id: Uuid,
    /// Whether it is deleted; then there is no record.
    pub deleted: bool,
    /// Its stored fields.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(value_type = Option<Object>))]
    pub record: Option<Object>,
}

/// A page of changes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct ChangesPage {
    /// The kitroom's epoch.
    pub epoch: Uuid,
    /// The records that changed after the cursor, in the order of their last change.
    pub changes: Vec<Change>,
    /// Where to go on; keep it in the same transaction as the rows.
    pub next_cursor: String,
    /// Whether there is more now.
    pub has_more: bool,
    /// The number of the kitroom's last change, as this page saw it.
    pub head_seq: i64,
}

/// What the service supports.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SchemaRange {
    /// The oldest version.
    pub min: i32,
    /// The newest.
    pub current: i32,
}

/// The limits of a push and a pull.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SyncLimits {
    /// Ops of one push.
    pub push_ops: usize,
    /// Bytes of one push, after decompression.
    pub push_bytes: usize,
    /// Bytes of one record.
    pub record_bytes: usize,
    /// Changes of one page.
    pub pull_changes: i64,
}

/// One of the account's kitrooms.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SyncKitroom {
    /// The kitroom.
    pub kitroom_id: KitroomId,
    /// The account's role in it.
    pub role: Role,
    /// Its epoch.
    pub epoch: Uuid,
    /// The number of its last change.
    pub head_seq: i64,
    /// Cursors below this number have expired.
    pub floor_seq: i64,
    /// How many conflicts wait for a person.
    pub open_conflicts: i64,
}

/// A kitroom that the account is no longer a member of.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct RemovedKitroom {
    /// The kitroom.
    pub kitroom_id: KitroomId,
    /// Since when.
    pub removed_at: Timestamp,
}

/// One poll for everything.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct SyncOverview {
    /// The server's clock.
    pub server_time: Timestamp,
    /// The schema versions that it takes.
    pub schema: SchemaRange,
    /// Its limits.
    pub limits: SyncLimits,
    /// The account's kitrooms.
    pub kitrooms: Vec<SyncKitroom>,
    /// Those that it was removed from. Only these are to be purged from a device.
    pub removed: Vec<RemovedKitroom>,
}

/// The digest of one kind.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct KindDigest {
    /// How many records, deleted ones included.
    pub count: i64,
    /// The wrapping sum of their row hashes, 16 hexadecimal digits.
    #[cfg_attr(feature = "openapi", schema(pattern = "^[0-9a-f]{16}$", example = "00c0ffee00c0ffee"))]
    pub hash: String,
}

/// The digest of a kitroom, to compare a replica with.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Digest {
    /// The change that it stands at.
    pub head_seq: i64,
    /// By kind.
    pub kinds: std::collections::BTreeMap<String, KindDigest>,
}
