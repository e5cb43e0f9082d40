//! The verbs of a resource, each an op through the door.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse};
use diesel::sql_types::{BigInt, Uuid as SqlUuid};
use diesel_async::AsyncPgConnection;
use domain::sync::canonical;
use domain::sync::op::{Action, Op, OpStatus};
use domain::time::Timestamp;
use domain::wire::problem::ErrorCode;
use domain::wire::shape::Object;
use serde_json::{Value, json};
use uuid::Uuid;

use super::idempotency;
use super::listed;
use super::resource::{Address, PageQuery, Parent, Resource, SelectPage, Shown, under};
use crate::door::{self, Sender};
use crate::features::kitrooms::access::{KitroomAccess, KitroomWrite};
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{IdempotencyKey, IfMatch, is_known};
use crate::platform::paging;

/// One change through a resource.
struct Change<'a> {
    write: KitroomWrite,
    resource: &'a Resource,
    at: Address,
    op_id: Uuid,
    action: Action,
    if_version: Option<i64>,
    if_epoch: Option<Uuid>,
    /// The content as it was received, which is what a repetition is told by.
    received: Object,
    /// The content as it is stored.
    payload: Object,
    now: Timestamp,
}

struct Outcome {
    epoch: Uuid,
    fresh: bool,
    shown: Shown,
}

impl Change<'_> {
    async fn apply(self, conn: &mut AsyncPgConnection) -> Result<Outcome, ApiError> {
        let received = Value::Object(self.received);
        let hash =
            canonical::op_hash(self.resource.kind, &self.at.id.to_string(), self.action, Some(&received))
                .map_err(|error| {
                    ApiError::field("", "invalid", format!("a number cannot be kept exactly: {error}"))
                })?;
        let op = Op {
            op_id: self.op_id,
            op_no: None,
            group: String::new(),
            kind: self.resource.kind.to_owned(),
            record_id: self.at.id,
            action: self.action,
            // A resource's change rests on what stands; where If-Match names a version, the door compares it.
            base_seq: i64::MAX,
            payload: self.payload,
            done_at: None,
            hash,
            if_version: self.if_version,
        };
        let sender = Sender {
            account: self.write.account.id,
            replica: None,
            if_epoch: self.if_epoch,
            records_at_most: self.write.records_at_most,
            now: self.now,
        };
        let mut applied =
            door::apply_ops(conn, self.write.kitroom, sender, std::slice::from_ref(&op)).await?;
        let result =
            applied.results.pop().ok_or_else(|| ApiError::internal("the door gave no answer", op.op_id))?;
        if let Some(problem) = result.problem {
            return Err(problem.into());
        }
        let done = matches!(result.status, OpStatus::Applied | OpStatus::Merged | OpStatus::Conflict);
        let fresh = done && !result.replayed;
        let shown = match applied.records.remove(&self.at.id) {
            // What is derived may have moved with the change, so it is read again; a deleted record has none.
            Some(stored) if stored.deleted || self.resource.projections.is_empty() => {
                Shown { stored, derived: None }
            }
            _ => self.resource.find(conn, self.write.kitroom, self.at).await?,
        };
        Ok(Outcome { epoch: applied.epoch, fresh, shown })
    }
}

/// Makes a record or appends a fact. The record's id is the op's id, so that the same request again finds what it made.
///
/// # Errors
/// As the door refuses.
pub async fn create(
    resource: &Resource,
    write: KitroomWrite,
    parent: Option<Parent>,
    mut body: Object,
    key: IdempotencyKey,
    pool: &Pool,
    now: Timestamp,
) -> Result<HttpResponse, ApiError> {
    let given = match body.remove("id") {
        None | Some(Value::Null) => None,
        Some(Value::String(text)) => Some(
            domain::ids::parse_v7(&text)
                .map_err(|error| ApiError::field("/id", "invalid", error.to_string()))?,
        ),
        Some(_) => return Err(ApiError::field("/id", "invalid", "must be a string")),
    };
    if let Some(parent) = parent {
        if body.contains_key(parent.field) {
            let words = "the address says it; leave it out";
            return Err(ApiError::field(&format!("/{}", parent.field), "unknown-field", words));
        }
        body.insert(parent.field.to_owned(), json!(parent.id));
    }
    let mut conn = db::connection(pool).await?;
    resource.require(&mut conn, write.kitroom, parent).await?;
    let (record_id, op_id) = match given {
        Some(id) => (id, id),
        None => {
            let ids = idempotency::ids(&mut conn, write.account.id, &key, Uuid::now_v7(), now.utc()).await?;
            (ids.record_id, ids.record_id)
        }
    };
    let received = body.clone();
    let kind = resource.kind()?;
    if kind.is_fact() && kind.misses(&body, "observed_at") {
        // Whoever does not say when it was observed has just observed it.
        body.insert("observed_at".to_owned(), json!(now));
    }
    let action = if kind.is_fact() { Action::Append } else { Action::Create };
    let at = Address { id: record_id, parent };
    let change = Change {
        write,
        resource,
        at,
        op_id,
        action,
        if_version: None,
        if_epoch: None,
        received,
        payload: body,
        now,
    };
    let outcome = change.apply(&mut conn).await?;
    if outcome.shown.stored.deleted {
        let words = "this request made the record once, and it was deleted since; use a new id";
        return Err(ApiError::new(ErrorCode::IdDeleted, words));
    }
    let mut response = if outcome.fresh { HttpResponse::Created() } else { HttpResponse::Ok() };
    response.insert_header((header::LOCATION, resource.location(write.kitroom, at)));
    Ok(outcome.shown.respond(response, outcome.epoch))
}

fn version(if_match: &IfMatch, any: bool) -> Result<Option<(Uuid, i64)>, ApiError> {
    match if_match {
        IfMatch::Missing => Err(ApiError::new(
            ErrorCode::PreconditionRequired,
            "send If-Match with the ETag that you have read",
        )),
        IfMatch::Any if any => Ok(None),
        IfMatch::Any => {
            Err(ApiError::new(ErrorCode::PreconditionFailed, "* is for deleting only; send an ETag"))
        }
        IfMatch::Version { epoch, version } => Ok(Some((*epoch, *version))),
        IfMatch::Foreign => {
            Err(ApiError::new(ErrorCode::PreconditionFailed, "this is no ETag of ours; read it again"))
        }
    }
}

/// An address that puts a record under another one than it is under names nothing.
async fn is_there(
    conn: &mut AsyncPgConnection,
    resource: &Resource,
    kitroom: Uuid,
    at: Address,
) -> Result<(), ApiError> {
    // Without a parent there is nothing that the door does not see.
    if at.parent.is_some() {
        resource.find(conn, kitroom, at).await?;
    }
    Ok(())
}

/// Changes some fields of a record, when it is still the version that was read.
///
/// # Errors
/// `precondition-required`, `precondition-failed` with the record as it stands, or as the door refuses.
pub async fn patch(
    resource: &Resource,
    write: KitroomWrite,
    at: Address,
    if_match: &IfMatch,
    patch: Object,
    pool: &Pool,
    now: Timestamp,
) -> Result<HttpResponse, ApiError> {
    let expected = version(if_match, false)?;
    let mut conn = db::connection(pool).await?;
    is_there(&mut conn, resource, write.kitroom, at).await?;
    let change = Change {
        write,
        resource,
        at,
        op_id: Uuid::now_v7(),
        action: Action::Patch,
        if_version: expected.map(|(_, version)| version),
        if_epoch: expected.map(|(epoch, _)| epoch),
        received: patch.clone(),
        payload: patch,
        now,
    };
    let outcome = change.apply(&mut conn).await?;
    Ok(outcome.shown.respond(HttpResponse::Ok(), outcome.epoch))
}

/// Deletes a record.
///
/// # Errors
/// `precondition-required`, `precondition-failed`, `in-use`, or as the door refuses.
pub async fn delete(
    resource: &Resource,
    write: KitroomWrite,
    at: Address,
    if_match: &IfMatch,
    pool: &Pool,
    now: Timestamp,
) -> Result<HttpResponse, ApiError> {
    let expected = version(if_match, true)?;
    let mut conn = db::connection(pool).await?;
    is_there(&mut conn, resource, write.kitroom, at).await?;
    let if_version = match expected {
        Some((_, version)) => version,
        // Under any version: the one of this moment.
        None => resource.find(&mut conn, write.kitroom, at).await?.stored.version,
    };
    let change = Change {
        write,
        resource,
        at,
        op_id: Uuid::now_v7(),
        action: Action::Delete,
        if_version: Some(if_version),
        if_epoch: expected.map(|(epoch, _)| epoch),
        received: Object::new(),
        payload: Object::new(),
        now,
    };
    change.apply(&mut conn).await?;
    Ok(HttpResponse::NoContent().finish())
}

/// Voids a fact. Doing it again changes nothing.
///
/// # Errors
/// As the door refuses.
pub async fn void(
    resource: &Resource,
    write: KitroomWrite,
    at: Address,
    body: Object,
    pool: &Pool,
    now: Timestamp,
) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(pool).await?;
    is_there(&mut conn, resource, write.kitroom, at).await?;
    let change = Change {
        write,
        resource,
        at,
        op_id: Uuid::now_v7(),
        action: Action::Void,
        if_version: None,
        if_epoch: None,
        received: body.clone(),
        payload: body,
        now,
    };
    let outcome = change.apply(&mut conn).await?;
    Ok(outcome.shown.respond(HttpResponse::Ok(), outcome.epoch))
}

/// Settles a conflict that is still the version that was read. Doing it again in the same way changes nothing.
///
/// # Errors
/// `precondition-required`, `precondition-failed` with the conflict as it stands, or as the door refuses.
pub async fn settle(
    resource: &Resource,
    write: KitroomWrite,
    at: Address,
    if_match: &IfMatch,
    body: Object,
    pool: &Pool,
    now: Timestamp,
) -> Result<HttpResponse, ApiError> {
    let expected = version(if_match, false)?;
    let mut conn = db::connection(pool).await?;
    let change = Change {
        write,
        resource,
        at,
        op_id: Uuid::now_v7(),
        action: Action::Settle,
        if_version: expected.map(|(_, version)| version),
        if_epoch: expected.map(|(epoch, _)| epoch),
        received: body.clone(),
        payload: body,
        now,
    };
    let outcome = change.apply(&mut conn).await?;
    Ok(outcome.shown.respond(HttpResponse::Ok(), outcome.epoch))
}

/// One record.
///
/// # Errors
/// `not-found`.
pub async fn show(
    resource: &Resource,
    access: &KitroomAccess,
    at: Address,
    request: &HttpRequest,
    pool: &Pool,
) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(pool).await?;
    let shown = resource.find(&mut conn, access.kitroom, at).await?;
    let tag = shown.tag(access.epoch);
    if is_known(request, &tag) {
        return Ok(HttpResponse::NotModified().insert_header((header::ETAG, tag)).finish());
    }
    Ok(shown.respond(HttpResponse::Ok(), access.epoch))
}

/// A page of records in the order of their ids. `narrow` adds conditions.
///
/// # Errors
/// As the page's parameters are wrong, or the database fails.
pub async fn list(
    resource: &Resource,
    access: &KitroomAccess,
    request: &HttpRequest,
    page: &PageQuery,
    pool: &Pool,
    narrow: impl FnOnce(SelectPage) -> SelectPage,
) -> Result<HttpResponse, ApiError> {
    let limit = paging::limit(page.limit)?;
    let parent = resource.parent(request)?;
    // A cursor is good for one list only.
    let scope = parent.map_or(access.kitroom, |parent| parent.id);
    let after = paging::after(scope, page.cursor.as_deref())?;
    let statement = under(parent, narrow(resource.select_page(access.kitroom)?))
        .sql(" and not r.deleted and r.id > ")
        .bind::<SqlUuid, _>(after)
        .sql(" order by r.id limit ")
        .bind::<BigInt, _>(limit + 1);
    let mut conn = db::connection(pool).await?;
    resource.require(&mut conn, access.kitroom, parent).await?;
    let rows = listed::load(&mut conn, statement).await?;
    let (rows, next_cursor) = paging::page(rows, limit, scope, |listed| listed.id);
    let mut response = HttpResponse::Ok();
    if let Some(next) = &next_cursor {
        // The same question from further on: with its filters and its size.
        let same =
            request.query_string().split('&').filter(|part| !part.is_empty() && !part.starts_with("cursor="));
        let query: String = same.map(|part| format!("{}&", part.replace(['<', '>'], ""))).collect();
        let link = format!("<{}?{query}cursor={next}>; rel=\"next\"", request.path());
        response.insert_header((header::LINK, link));
    }
    Ok(response.content_type(header::ContentType::json()).body(listed::page(&rows, next_cursor.as_deref())))
}
