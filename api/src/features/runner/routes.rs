//! `/v1/me/runner`.

use actix_web::http::header;
use actix_web::{HttpResponse, get, patch, web};
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::runner::{Runner, RunnerView};
use domain::wire::shape;
use serde_json::Value;
use uuid::Uuid;

use super::store;
use crate::openapi::bodies::UpdateRunner;
use crate::platform::auth::Account;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{IfMatch, MergePatch, tag};

fn respond(account: Uuid, view: &RunnerView) -> HttpResponse {
    HttpResponse::Ok().insert_header((header::ETAG, tag(account, view.version, 0))).json(view)
}

fn stale(view: &RunnerView) -> ApiError {
    let words = format!("it is at version {} now; read it again", view.version);
    let current = serde_json::to_value(view).unwrap_or_default();
    Problem::new(ErrorCode::PreconditionFailed, words).with("current", current).into()
}

/// What a plan knows of the runner: the account's own, shown to nobody else.
#[utoipa::path(
    tag = "accounts",
    operation_id = "get_runner",
    responses((status = 200, description = "What is known; nothing at first.", body = RunnerView))
)]
#[get("/me/runner")]
pub async fn get_runner(account: Account, pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    Ok(respond(account.id, &store::find(&mut conn, account.id).await?))
}

/// Says or takes back what a plan may know of the runner.
#[utoipa::path(
    tag = "accounts",
    operation_id = "update_runner",
    params(("If-Match" = String, Header, description = "The ETag that was read.")),
    request_body(content = UpdateRunner, content_type = "application/merge-patch+json"),
    responses((status = 200, description = "Changed.", body = RunnerView))
)]
#[patch("/me/runner")]
pub async fn update_runner(
    account: Account,
    patch: MergePatch,
    if_match: IfMatch,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    // What the patch says has to be sound by itself, so that what is wrong is named where the sender wrote it.
    shape::read::<Runner>(&patch.0).map_err(Problem::invalid)?;
    let mut conn = db::connection(&pool).await?;
    let view = store::find(&mut conn, account.id).await?;
    match if_match {
        IfMatch::Missing => {
            let words = "send If-Match with the ETag that you have read";
            return Err(ApiError::new(ErrorCode::PreconditionRequired, words));
        }
        IfMatch::Version { epoch, version } if epoch == account.id && version == view.version => {}
        _ => return Err(stale(&view)),
    }
    let mut body = match serde_json::to_value(view.runner()) {
        Ok(Value::Object(body)) => body,
        _ => shape::Object::new(),
    };
    body.extend(patch.0);
    let runner: Runner = shape::read(&body).map_err(Problem::invalid)?;
    if !store::update(&mut conn, account.id, view.version, &runner).await? {
        return Err(stale(&store::find(&mut conn, account.id).await?));
    }
    Ok(respond(account.id, &store::find(&mut conn, account.id).await?))
}
