//! `/v1/sync`, `K/changes`, `K/ops`, `K/digest`.

use std::collections::HashSet;

use actix_web::{HttpResponse, get, post, web};
use domain::ids::KitroomId;
use domain::sync::canonical;
use domain::sync::op::Op;
use domain::time::Timestamp;
use domain::wire::kitroom::KitroomView;
use domain::wire::problem::{ErrorCode, FieldError, Problem};
use domain::wire::shape::{self, Object};
use domain::wire::sync::{
    ChangesPage, DEFAULT_CHANGES, Digest, MAX_CHANGES, MAX_OPS, MAX_PUSH_BYTES, MAX_RECORD_BYTES, PushOp,
    PushRequest, PushResponse, RemovedKitroom, SCHEMA_VERSION, SchemaRange, SyncKitroom, SyncLimits,
    SyncOverview,
};
use serde::Deserialize;
use serde_json::Value;
use uuid::Uuid;

use super::cursor::Cursor;
use super::store;
use crate::door::{self, Sender};
use crate::features::kitrooms::access::KitroomWrite;
use crate::features::kitrooms::store as kitrooms;
use crate::platform::auth::{Account, Now};
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{JsonObject, Query};

/// The most kitrooms that one poll lists.
const KITROOMS: i64 = 1000;

/// One poll for everything: the account's kitrooms and how far each has come.
#[utoipa::path(tag = "sync", operation_id = "get_sync", responses((status = 200, description = "The account's kitrooms.", body = SyncOverview)))]
#[get("/sync")]
pub async fn get_sync(account: Account, pool: web::Data<Pool>, now: Now) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let views = kitrooms::list_kitrooms(&mut conn, account.id, Uuid::nil(), KITROOMS).await?;
    let removed = kitrooms::list_removed(&mut conn, account.id).await?;
    let removed = removed.into_iter().filter_map(|(id, at)| {
        Some(RemovedKitroom { kitroom_id: KitroomId::new(id).ok()?, removed_at: Timestamp::from_utc(at) })
    });
    let overview = SyncOverview {
        server_time: now.0,
        schema: SchemaRange { min: SCHEMA_VERSION, current: SCHEMA_VERSION },
        limits: SyncLimits {
            push_ops: MAX_OPS,
            push_bytes: MAX_PUSH_BYTES,
            record_bytes: MAX_RECORD_BYTES,
            pull_changes: MAX_CHANGES,
        },
        kitrooms: views.iter().map(overview_of).collect(),
        removed: removed.collect(),
    };
    Ok(HttpResponse::Ok().json(overview))
}

fn overview_of(view: &KitroomView) -> SyncKitroom {
    SyncKitroom {
        kitroom_id: view.id,
        role: view.role,
        epoch: view.epoch,
        head_seq: view.head_seq,
        floor_seq: 0,
        open_conflicts: 0,
    }
}

/// Where to go on, and how far.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ChangesQuery {
    /// The `next_cursor` of the page before; absent for the beginning.
    #[serde(default)]
    cursor: Option<String>,
    /// How many; 500 when absent.
    #[param(minimum = 1, maximum = 2000)]
    #[serde(default)]
    limit: Option<i64>,
}

/// The records that changed after a cursor, each as it stands now, in the order of their last change.
#[utoipa::path(
    tag = "sync",
    operation_id = "list_changes",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), ChangesQuery),
    responses((status = 200, description = "A page of changes.", body = ChangesPage))
)]
#[get("/changes")]
pub async fn list_changes(
    write: KitroomWrite,
    query: Query<ChangesQuery>,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let limit = query.0.limit.unwrap_or(DEFAULT_CHANGES);
    if !(1..=MAX_CHANGES).contains(&limit) {
        return Err(ApiError::field("?limit", "out-of-range", format!("must be from 1 to {MAX_CHANGES}")));
    }
    let mut conn = db::connection(&pool).await?;
    let (kitroom, account) = (write.kitroom, write.account.id);
    let cursor = query.0.cursor;
    let page = conn
        .build_transaction()
        .repeatable_read()
        .read_only()
        .run(async |conn| {
            let cursor = cursor.as_deref().map(|text| Cursor::decode(kitroom, text)).transpose()?;
            store::find_changes(conn, kitroom, account, cursor, limit).await
        })
        .await?;
    Ok(HttpResponse::Ok().json(page))
}

/// The digest of the kitroom, to compare a replica with.
#[utoipa::path(
    tag = "sync",
    operation_id = "get_digest",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom.")),
    responses((status = 200, description = "Per kind a count and a sum of hashes.", body = Digest))
)]
#[get("/digest")]
pub async fn get_digest(write: KitroomWrite, pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let (kitroom, account) = (write.kitroom, write.account.id);
    let digest = conn
        .build_transaction()
        .repeatable_read()
        .read_only()
        .run(async |conn| store::find_digest(conn, kitroom, account).await)
        .await?;
    Ok(HttpResponse::Ok().json(digest))
}

/// Pushes ops. Any push may be repeated: what was applied answers as it did. 200 whenever the push was understood; each
/// op has its own result.
#[utoipa::path(
    tag = "sync",
    operation_id = "push_ops",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom.")),
    request_body = PushRequest,
    responses((status = 200, description = "What became of each op.", body = PushResponse))
)]
#[post("/ops")]
pub async fn push_ops(
    write: KitroomWrite,
    body: JsonObject<MAX_PUSH_BYTES>,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let push = read_push(body.0)?;
    let sender = Sender {
        account: write.account.id,
        replica: Some((push.replica, push.schema)),
        if_epoch: None,
        records_at_most: write.records_at_most,
        now: now.0,
    };
    let mut conn = db::connection(&pool).await?;
    let applied = door::push_ops(&mut conn, write.kitroom, sender, &push.ops).await?;
    let response =
        PushResponse { epoch: applied.epoch, head_seq: applied.head_seq, results: applied.results };
    Ok(HttpResponse::Ok().json(response))
}

struct Push {
    replica: Uuid,
    schema: i32,
    ops: Vec<Op>,
}

fn read_push(mut body: Object) -> Result<Push, ApiError> {
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
    if envelope.schema_version != SCHEMA_VERSION {
        let words = format!(
            "this server takes schema version {SCHEMA_VERSION}; your unsent changes are safe, update tare"
        );
        let problem = Problem::new(ErrorCode::SchemaUnsupported, words);
        return Err(problem.with("min", SCHEMA_VERSION).with("current", SCHEMA_VERSION).into());
    }
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
        Ok(Push { replica, schema: envelope.schema_version, ops })
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
    let hash =
        canonical::op_hash(&op.kind, &op.record_id.to_string(), op.action, op.base_seq, as_value.as_ref())
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
        hash,
        if_version: None,
    })
}
