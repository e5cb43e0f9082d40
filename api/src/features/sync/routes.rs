//! `/v1/sync`, `K/changes`, `K/ops`, `K/digest`.

use std::time::Duration;

use actix_web::http::header::{self, Accept, Header as _, Quality};
use actix_web::{HttpRequest, HttpResponse, get, post, web};
use domain::wire::sync::{
    ChangesPage, DEFAULT_CHANGES, Digest, FeedLine, MAX_CHANGES, MAX_PAGE_BYTES, MAX_PUSH_BYTES, MAX_WAIT_S,
    NDJSON, PushRequest, PushResponse, SCHEMA_MIN, SCHEMA_VERSION, SchemaRange, SyncLimits, SyncOverview,
};
use serde::Deserialize;
use sha2::Digest as _;
use tokio::time::Instant;

use super::cursor::Cursor;
use super::feed::{self, Page, Question, Shape};
use super::stream::{self, Source};
use super::waits::{Waits, Woken};
use super::{push, store};
use crate::door::{Pushes, Sender};
use crate::features::kitrooms::access::KitroomWrite;
use crate::platform::auth::{Account, Now, Standing};
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{JsonObject, Query, is_known};
use crate::platform::limits::Bounds;

/// One poll for everything: the account's kitrooms and how far each has come. Its entity tag is that of the answer
/// without the server's time. Only kitrooms under `removed` are to be taken off a device: one that is missing altogether
/// may have been lost with a restored backup.
#[utoipa::path(tag = "sync", operation_id = "get_sync", responses((status = 200, description = "The account's kitrooms.", body = SyncOverview)))]
#[get("/sync")]
pub async fn get_sync(
    account: Account,
    request: HttpRequest,
    pool: web::Data<Pool>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    // One snapshot: a kitroom that is left or joined meanwhile is in one of the lists, not in none.
    let (kitrooms, removed) = conn
        .build_transaction()
        .repeatable_read()
        .read_only()
        .run(async |conn| {
            let kitrooms = store::list_heads(conn, account.id).await?;
            Ok::<_, ApiError>((kitrooms, store::list_removed(conn, account.id).await?))
        })
        .await?;
    let schema = SchemaRange { min: SCHEMA_MIN, current: SCHEMA_VERSION };
    let limits = SyncLimits::CURRENT;
    let parts = serde_json::to_vec(&(&schema, &limits, &kitrooms, &removed))
        .map_err(|error| ApiError::internal("an overview cannot be written", error))?;
    let hash = sha2::Sha256::digest(parts);
    // Weak, since the time in the answer differs: RFC 9110, section 8.8.1.
    let tag = format!("W/\"{}\"", hash[..12].iter().map(|byte| format!("{byte:02x}")).collect::<String>());
    if is_known(&request, &tag) {
        return Ok(HttpResponse::NotModified().insert_header((header::ETAG, tag)).finish());
    }
    let overview = SyncOverview { server_time: now.0, schema, limits, kitrooms, removed };
    Ok(HttpResponse::Ok().insert_header((header::ETAG, tag)).json(overview))
}

/// Where to go on, how far, and how long to wait.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct ChangesQuery {
    /// The `next_cursor` of the page before, or any cursor of a stream; absent for the beginning.
    #[serde(default)]
    cursor: Option<String>,
    /// How many at most. A page has 500 when absent, a stream all there are.
    #[param(minimum = 1, maximum = 2000)]
    #[serde(default)]
    limit: Option<i64>,
    /// How many seconds to wait for a change when there is none; answered at once when there is.
    #[param(minimum = 0, maximum = 55)]
    #[serde(default)]
    wait_s: Option<i64>,
    /// The version of the schema that the reader knows; 1 when absent. A reader that knows more than when its cursor was
    /// written gets the kinds that it lacked, whatever their number.
    #[param(minimum = 1, maximum = 1_000_000)]
    #[serde(default)]
    schema_version: Option<i32>,
    /// The `ack` of the last push, so that a server which has lost it is found out. Who reads a kitroom anew sends the
    /// cursor that they had here, for the same reason.
    #[serde(default)]
    ack: Option<String>,
}

impl ChangesQuery {
    fn question(&self, write: &KitroomWrite) -> Result<Question, ApiError> {
        let within = |name: &str, value: Option<i64>, least: i64, most: i64| match value {
            Some(value) if !(least..=most).contains(&value) => {
                let words = format!("must be from {least} to {most}");
                Err(ApiError::field(&format!("?{name}"), "out-of-range", words))
            }
            _ => Ok(()),
        };
        within("limit", self.limit, 1, MAX_CHANGES)?;
        within("wait_s", self.wait_s, 0, MAX_WAIT_S)?;
        within("schema_version", self.schema_version.map(i64::from), 1, 1_000_000)?;
        let kitroom = write.kitroom;
        Ok(Question {
            kitroom,
            account: write.account.id,
            cursor: self.cursor.as_deref().map(|text| Cursor::decode(kitroom, text)).transpose()?,
            ack: self.ack.as_deref().map(|text| Cursor::decode_ack(kitroom, text)).transpose()?,
            schema: self.schema_version.unwrap_or(SCHEMA_MIN),
            limit: self.limit.unwrap_or(DEFAULT_CHANGES),
            bytes: MAX_PAGE_BYTES,
        })
    }
}

/// The records that changed after a cursor, each as it stands now, in the order of their last change: as a page, or as a
/// stream of lines for `Accept: application/x-ndjson`.
///
/// A page ends early where its changes would pass the limit of bytes that `/v1/sync` names; `has_more` tells. A
/// kitroom that is read from its beginning comes without what was deleted before that began. Kinds that an older reader
/// lacked come with numbers below its cursor.
#[utoipa::path(
    tag = "sync",
    operation_id = "list_changes",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom."), ChangesQuery),
    responses((
        status = 200,
        description = "A page of changes, or a stream of them: a header, changes with a cursor at least every 500, an end.",
        content((ChangesPage = "application/json"), (FeedLine = "application/x-ndjson"))
    ))
)]
#[get("/changes")]
pub async fn list_changes(
    write: KitroomWrite,
    standing: Standing,
    request: HttpRequest,
    query: Query<ChangesQuery>,
    pool: web::Data<Pool>,
    (waits, bounds): (web::Data<Waits>, web::Data<Bounds>),
) -> Result<HttpResponse, ApiError> {
    let question = query.0.question(&write)?;
    // Whoever has nothing yet is told so at once, and has a cursor to wait with.
    let wait_s = if question.cursor.is_some() { query.0.wait_s.unwrap_or(0) } else { 0 };
    let wait =
        Patience { time: Duration::from_secs(wait_s.unsigned_abs()), at_most: bounds.waits_per_account };
    if wants_lines(&request) {
        let source = Source { standing, pool, waits, question, at_most: query.0.limit };
        let first = find_or_wait(&source, &source.first_question(), Shape::Lines, wait).await?;
        let mut response = HttpResponse::Ok();
        response.content_type(NDJSON).insert_header((header::VARY, "Accept"));
        return Ok(response.streaming(stream::body(source, first)));
    }
    let source = Source { standing, pool, waits, question, at_most: None };
    let page = find_or_wait(&source, &source.question, Shape::Elements, wait).await?;
    let text = format!(
        r#"{{"epoch":"{}","changes":[{}],"next_cursor":"{}","has_more":{},"head_seq":{}}}"#,
        page.head.epoch,
        page.text,
        page.next.encode(),
        page.has_more,
        page.head.seq
    );
    let mut response = HttpResponse::Ok();
    Ok(response.content_type("application/json").insert_header((header::VARY, "Accept")).body(text))
}

/// Whether the reader accepts lines, and a page no more gladly.
fn wants_lines(request: &HttpRequest) -> bool {
    let Ok(accept) = Accept::parse(request) else { return false };
    let quality = |media: &str| {
        let named = accept.iter().filter(|one| one.item.essence_str() == media).map(|one| one.quality);
        named.fold(Quality::ZERO, |best, one| if one > best { one } else { best })
    };
    let lines = quality(NDJSON);
    lines > Quality::ZERO && lines >= quality("application/json")
}

/// How long to wait, and how many of an account may.
#[derive(Debug, Clone, Copy)]
struct Patience {
    time: Duration,
    at_most: usize,
}

/// A page that has something, or what there is when the wait is over. Nothing of the database is held meanwhile.
async fn find_or_wait(
    source: &Source,
    question: &Question,
    shape: Shape,
    wait: Patience,
) -> Result<Page, ApiError> {
    if wait.time.is_zero() {
        return feed::find_page(&source.pool, question, shape).await;
    }
    let until = Instant::now() + wait.time;
    let mut place = Waits::begin(&source.waits, question.kitroom, question.account, wait.at_most);
    let mut woken = Woken::Changed;
    loop {
        let page = feed::find_page(&source.pool, question, shape).await?;
        if !page.is_empty() || woken == Woken::Ended {
            return Ok(page);
        }
        place.saw(page.head.epoch, page.head.seq);
        woken = place.next(until, &source.pool).await;
        // Whoever was let in a minute ago may be no longer.
        source.standing.check().await?;
    }
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
    (pool, pushes): (web::Data<Pool>, web::Data<Pushes>),
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let push = push::read(write.kitroom, body.0)?;
    let sender = Sender {
        account: write.account.id,
        replica: Some((push.replica, push.schema)),
        if_epoch: None,
        records_at_most: write.records_at_most,
        now: now.0,
    };
    check_history(&pool, &write, &push.rests_on).await?;
    let applied = pushes.into_inner().push(&pool, write.kitroom, sender, push.ops).await?;
    let mark = match applied.mark {
        Some(mark) => Some(mark),
        None => {
            let mut conn = db::connection(&pool).await?;
            store::find_mark(&mut conn, write.kitroom, applied.head_seq).await?
        }
    };
    let ack = Cursor::ack(write.kitroom, applied.epoch, applied.head_seq, mark.as_deref());
    let response = PushResponse {
        epoch: applied.epoch,
        head_seq: applied.head_seq,
        results: applied.results,
        ack: Some(ack.encode()),
    };
    Ok(HttpResponse::Ok().json(response))
}

/// A history that is lost does not come back while a push waits, so it is not looked at under the kitroom's lock.
async fn check_history(pool: &Pool, write: &KitroomWrite, rests_on: &[Cursor]) -> Result<(), ApiError> {
    if rests_on.is_empty() {
        return Ok(());
    }
    let mut conn = db::connection(pool).await?;
    let head = store::find_head(&mut conn, write.kitroom, write.account.id).await?;
    for cursor in rests_on {
        store::check_history(&mut conn, &head, cursor).await?;
    }
    Ok(())
}
