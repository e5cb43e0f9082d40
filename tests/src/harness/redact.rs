//! Takes out of an answer what differs from run to run, and checks it on the way: an id is a UUIDv7, a time is UTC to
//! the millisecond, a cursor is opaque text.

use base64::Engine as _;
use base64::engine::general_purpose::URL_SAFE_NO_PAD;
use serde_json::Value;
use uuid::{Uuid, Variant};

/// Fields that hold ids which the service or the test made.
const IDS: &[&str] =
    &["id", "created_by", "recorded_by", "by", "epoch", "request_id", "op_id", "record_id", "offered_by"];
/// Fields that hold the service's own time.
const TIMES: &[&str] = &["created_at", "recorded_at", "removed_at", "server_time", "last_used_at", "at"];

/// Checks that a text is a UUIDv7 (RFC 9562, section 5.7) in lower case.
///
/// # Panics
/// When it is none.
#[track_caller]
pub fn assert_id(text: &str) {
    let id = Uuid::parse_str(text).unwrap_or_else(|error| panic!("{text:?}: {error}"));
    assert_eq!((id.get_version_num(), id.get_variant()), (7, Variant::RFC4122), "{text}");
    assert_eq!(id.to_string(), text);
}

/// Checks that a text is a time as the service writes it: RFC 3339, UTC, to the millisecond.
///
/// # Panics
/// When it is none.
#[track_caller]
pub fn assert_time(text: &str) {
    let time: domain::time::Timestamp = text.parse().unwrap_or_else(|error| panic!("{text:?}: {error}"));
    assert_eq!(time.to_string(), text);
}

/// The value with what differs from run to run taken out.
///
/// # Panics
/// When something of it is not what it should be.
#[must_use]
pub fn redacted(value: &Value) -> Value {
    match value {
        Value::Object(map) => map.iter().map(|(name, value)| (name.clone(), field(name, value))).collect(),
        Value::Array(values) => values.iter().map(redacted).collect(),
        other => other.clone(),
    }
}

fn field(name: &str, value: &Value) -> Value {
    let Value::String(text) = value else { return redacted(value) };
    if IDS.contains(&name) || name.ends_with("_id") {
        assert_id(text);
        "[id]".into()
    } else if TIMES.contains(&name) {
        assert_time(text);
        "[time]".into()
    } else if ["next_cursor", "ack"].contains(&name) {
        assert!(URL_SAFE_NO_PAD.decode(text).is_ok(), "a cursor is URL-safe: {text}");
        "[cursor]".into()
    } else {
        value.clone()
    }
}
