//! The sync calls.

use serde::{Deserialize, Serialize};
use uuid::Uuid;

use crate::ids::KitroomId;
use crate::sync::op::{Action, OpResult, Role};
use crate::time::Timestamp;
use crate::wire::shape::Object;

/// The version of the protocol's schema that this build speaks.
pub const SCHEMA_VERSION: i32 = 1;
/// The oldest version that this build still takes pushes in.
pub const SCHEMA_MIN: i32 = 1;
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
/// The most bytes of the changes of one page. A record alone always fits.
pub const MAX_PAGE_BYTES: usize = 4 * 1024 * 1024;
/// The longest that a question for changes may wait for one, in seconds.
pub const MAX_WAIT_S: i64 = 55;
/// A stream has a cursor to go on from at least this often, in changes.
pub const STREAM_CURSOR_EVERY: i64 = 500;
/// The media type of a stream of [`FeedLine`]s.
pub const NDJSON: &str = "application/x-ndjson";

/// Kinds of record that came later than the first version of the schema, with the version that brought each.
const LATER_KINDS: &[(&str, i32)] = &[];

/// The version of the schema that brought a kind.
#[must_use]
pub fn kind_since(kind: &str) -> i32 {
    since(LATER_KINDS, kind)
}

fn since(later: &[(&str, i32)], kind: &str) -> i32 {
    later.iter().find(|(name, _)| *name == kind).map_or(1, |(_, since)| *since)
}

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
    /// The cursor of the last page that the replica has applied. Where the server was restored or copied since, nothing
    /// of the push is taken: its ops rest on changes that are no longer there.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_length = 1000))]
    pub cursor: Option<String>,
    /// The `ack` of the replica's last push, checked as `cursor` is. The cursor of any later page holds it too.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[cfg_attr(feature = "openapi", schema(max_length = 1000))]
    pub ack: Option<String>,
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
    /// That these ops were acknowledged: to be sent with the next question or push, so that a server which has lost them
    /// is found out. Absent from services that do not give one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub ack: Option<String>,
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

/// One line of a stream of changes. A stream is a header, the changes in the order of their last change with a cursor
/// now and then, and an end; one without an end was broken off, and goes on from the last cursor that came whole.
/// Whoever reads one skips lines of a sort that it does not know.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
#[serde(tag = "line", rename_all = "snake_case")]
pub enum FeedLine {
    /// The first line.
    Header {
        /// The kitroom's epoch.
        epoch: Uuid,
        /// The version of the schema that the records are written in.
        schema_version: i32,
        /// The number of the kitroom's last change when the stream began; it goes at least so far.
        head_seq: i64,
    },
    /// A record as it stands.
    Change(Change),
    /// Where to go on when the stream breaks off after this line; keep it in the same transaction as the rows before it.
    Cursor {
        /// The cursor.
        cursor: String,
    },
    /// The last line.
    End {
        /// Where to go on.
        next_cursor: String,
        /// Whether there is more now.
        has_more: bool,
        /// The number of the kitroom's last change when the stream ended.
        head_seq: i64,
        /// How many changes the stream had.
        changes: i64,
    },
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
    /// Bytes of the changes of one page; 0 from services that do not say.
    #[serde(default)]
    pub pull_bytes: usize,
    /// Seconds that a question for changes may wait; 0 where it may not.
    #[serde(default)]
    pub wait_s: i64,
}

impl SyncLimits {
    /// Those of this build.
    pub const CURRENT: Self = Self {
        push_ops: MAX_OPS,
        push_bytes: MAX_PUSH_BYTES,
        record_bytes: MAX_RECORD_BYTES,
        pull_changes: MAX_CHANGES,
        pull_bytes: MAX_PAGE_BYTES,
        wait_s: MAX_WAIT_S,
    };
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
    /// Deletions up to this change may be forgotten: a cursor of a reader that was not told of them all has expired.
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

/// The digest of one kind: of its records that are not deleted, since a replica that came later never hears of those
/// that are.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct KindDigest {
    /// How many records there are; voided facts count, deleted records do not.
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

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn since_of_a_kind_without_an_entry_is_the_first_version() {
        let later = [("seal", 2), ("loan", 3)];
        assert_eq!((since(&later, "item"), since(&later, "seal"), since(&later, "loan")), (1, 2, 3));
    }

    #[test]
    fn later_kinds_are_in_the_registry_and_of_no_version_beyond_this_builds() {
        for (kind, since) in LATER_KINDS {
            assert!(crate::kinds::kind(kind).is_some(), "{kind}");
            assert!((1..=SCHEMA_VERSION).contains(since) && *since != 1, "{kind}");
        }
    }

    #[test]
    fn feed_line_each_sort_reads_back_what_it_wrote() {
        let id = Uuid::from_u128(7);
        let change = Change { seq: 3, kind: "item".into(), id, deleted: true, record: None };
        let lines = [
            FeedLine::Header { epoch: id, schema_version: 1, head_seq: 3 },
            FeedLine::Change(change),
            FeedLine::Cursor { cursor: "abc".into() },
            FeedLine::End { next_cursor: "abc".into(), has_more: false, head_seq: 3, changes: 1 },
        ];
        let words = ["header", "change", "cursor", "end"];
        for (line, word) in lines.iter().zip(words) {
            let text = serde_json::to_string(line).unwrap();
            assert!(text.starts_with(&format!(r#"{{"line":"{word}","#)), "{text}");
            assert_eq!(&serde_json::from_str::<FeedLine>(&text).unwrap(), line);
        }
    }
}
