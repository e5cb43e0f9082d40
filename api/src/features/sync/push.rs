//! Reading a push: its envelope, and each op with its content as it came.

use std::collections::HashSet;

use domain::sync::canonical;
use domain::sync::op::Op;
use domain::wire::problem::{ErrorCode, FieldError, Problem};
use domain::wire::shape::{self, Object};
use domain::wire::sync::{MAX_OPS, PushOp, PushRequest, SCHEMA_MIN, SCHEMA_VERSION};
use serde_json::Value;
use uuid::Uuid;

use super::cursor::Cursor;
use crate::platform::error::ApiError;

/// A push that was understood.
#[derive(Debug)]
pub struct Push {
    /// Who sends it.
    pub replica: Uuid,
    /// In which version of the schema.
    pub schema: i32,
    /// The ops.
    pub ops: Vec<Op>,
    /// What the sender has read and was told before.
    pub rests_on: Vec<Cursor>,
}

/// Reads a push, without what it is to change.
///
/// # Errors
/// `validation-failed` with each place, `payload-too-large`, `schema-unsupported`, `cursor-invalid`.
pub fn read(kitroom: Uuid, mut body: Object) -> Result<Push, ApiError> {
    if let Some(Value::Array(ops)) = body.get("ops")
        && ops.len() > MAX_OPS
    {
        let words = format!("{} ops; at most {MAX_OPS} go into one push", ops.len());
        return Err(Problem::new(ErrorCode::PayloadTooLarge, words).with("limit_ops", MAX_OPS).into());
    }
    let received = match body.get_mut("ops") {
        Some(Value::Array(ops)) => std::mem::take(ops),
        _ => Vec::new(),
    };
    let envelope: PushRequest = shape::read(&body).map_err(Problem::invalid)?;
    let replica = domain::ids::require_v7(envelope.replica_id)
        .map_err(|error| ApiError::field("/replica_id", "invalid", error.to_string()))?;
    if !(SCHEMA_MIN..=SCHEMA_VERSION).contains(&envelope.schema_version) {
        let words = format!(
            "this server takes schema versions {SCHEMA_MIN} to {SCHEMA_VERSION}; your unsent changes are safe, update tare"
        );
        let problem = Problem::new(ErrorCode::SchemaUnsupported, words);
        return Err(problem.with("min", SCHEMA_MIN).with("current", SCHEMA_VERSION).into());
    }
    let cursor = envelope.cursor.map(|text| Cursor::decode(kitroom, &text)).transpose()?;
    let ack = envelope.ack.map(|text| Cursor::decode_ack(kitroom, &text)).transpose()?;
    let rests_on = [cursor, ack].into_iter().flatten().collect();
    let mut errors = Vec::new();
    let mut ops = Vec::with_capacity(received.len());
    let mut groups: HashSet<String> = HashSet::new();
    for (at, value) in received.into_iter().enumerate() {
        match read_op(value) {
            Ok(op) => {
                let goes_on = ops.last().is_some_and(|last: &Op| last.group == op.group);
                if !goes_on && !groups.insert(op.group.clone()) {
                    let at = format!("/ops/{at}/group");
                    errors.push(FieldError::new(at, "invalid", "ops of one group stand next to each other"));
                }
                ops.push(op);
            }
            Err(found) => errors.extend(
                found
                    .into_iter()
                    .map(|error| FieldError { pointer: format!("/ops/{at}{}", error.pointer), ..error }),
            ),
        }
    }
    if errors.is_empty() {
        Ok(Push { replica, schema: envelope.schema_version, ops, rests_on })
    } else {
        errors.truncate(100);
        Err(Problem::invalid(errors).into())
    }
}

/// The greatest whole number that every reader of JSON keeps (RFC 8259, section 6).
const MAX_NUMBER: i64 = (1 << 53) - 1;

fn read_op(value: Value) -> Result<Op, Vec<FieldError>> {
    let Value::Object(mut object) = value else {
        return Err(vec![FieldError::new("", "invalid", "an op is a JSON object")]);
    };
    // The content is kept as it came: the hash is over that.
    let mut content = |name: &str| match object.remove(name) {
        None | Some(Value::Null) => Ok(None),
        Some(Value::Object(content)) => Ok(Some(content)),
        Some(_) => Err(vec![FieldError::new(format!("/{name}"), "invalid", "must be a JSON object")]),
    };
    let (patch, value) = (content("patch")?, content("value")?);
    let op: PushOp = shape::read(&object)?;
    let wrong = |pointer: &str, words: &str| vec![FieldError::new(pointer, "invalid", words)];
    for (pointer, id) in [("/op_id", op.op_id), ("/record_id", op.record_id)] {
        domain::ids::require_v7(id).map_err(|error| wrong(pointer, &error.to_string()))?;
    }
    if !(1..=MAX_NUMBER).contains(&op.op_no) {
        return Err(wrong("/op_no", "counts from 1, to 2^53 - 1"));
    }
    if !(0..=MAX_NUMBER).contains(&op.base_seq) {
        return Err(wrong("/base_seq", "counts from 0, to 2^53 - 1"));
    }
    if !(1..=64).contains(&op.group.chars().count()) {
        return Err(wrong("/group", "is 1 to 64 characters"));
    }
    let field = op.action.payload_field();
    let (content, other) = if field == "patch" { (patch, value) } else { (value, patch) };
    if other.is_some() {
        let other = if field == "patch" { "/value" } else { "/patch" };
        return Err(wrong(other, &format!("a {} has its content in {field}", op.action.name())));
    }
    let as_value = content.clone().map(Value::Object);
    let hash = canonical::op_hash(&op.kind, &op.record_id.to_string(), op.action, as_value.as_ref())
        .map_err(|error| wrong(&format!("/{field}"), &error.to_string()))?;
    Ok(Op {
        op_id: op.op_id,
        op_no: Some(op.op_no),
        group: op.group,
        kind: op.kind,
        record_id: op.record_id,
        action: op.action,
        base_seq: op.base_seq,
        payload: content.unwrap_or_default(),
        done_at: op.done_at,
        hash,
        if_version: None,
    })
}
