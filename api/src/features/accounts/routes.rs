//! `/v1/me` and `/v1/accounts`.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, delete, get, patch, post, put, web};
use diesel_async::AsyncConnection;
use domain::wire::account::{AccountView, ChangePassword, CreateAccount, DeleteAccount, UpdateAccount};
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::shape;
use uuid::Uuid;

use super::store;
use crate::features::device_tokens::store as device_tokens;
use crate::features::invitations::store as invitations;
use crate::features::sessions::store as sessions;
use crate::platform::auth::{Account, Authenticator};
use crate::platform::clock::Clock;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{IfMatch, Json, MergePatch, tag};
use crate::platform::limits::Limits;
use crate::platform::password::check_password;
use crate::platform::token;

fn respond(mut response: actix_web::HttpResponseBuilder, view: &AccountView) -> HttpResponse {
    response.insert_header((header::ETAG, tag(view.id.uuid(), view.version, 0))).json(view)
}

/// Whether a text can be an e-mail address to log in with.
#[must_use]
pub fn is_email(text: &str) -> bool {
    text.len() <= 254
        && text
            .split_once('@')
            .is_some_and(|(user, host)| !user.is_empty() && host.contains('.') && !host.contains('@'))
        && !text.contains(|c: char| c.is_whitespace() || c.is_control())
}

/// Makes an account with an invitation, and takes the invitation up with it.
#[utoipa::path(
    tag = "accounts",
    operation_id = "create_account",
    request_body = CreateAccount,
    responses((status = 201, description = "Made; log in with it.", body = AccountView))
)]
#[post("/accounts")]
pub async fn create_account(
    request: HttpRequest,
    body: Json<CreateAccount>,
    auth: web::Data<Authenticator>,
    limits: web::Data<Limits>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let Json(create) = body;
    limits.address(&request)?;
    let email = create.email.trim().to_owned();
    if !is_email(&email) {
        return Err(ApiError::field("/email", "invalid", "is no e-mail address"));
    }
    check_password("/password", &create.password, &[&email, create.name.as_str()])?;
    let (invitation, now) = (token::hash(&create.invitation), clock.now());
    // Without an invitation nothing is hashed, and nothing can be learnt about an address.
    invitations::require_open(&mut *db::connection(&pool).await?, &invitation, now).await?;
    let hash = auth.passwords.hash(create.password).await?;
    let id = Uuid::now_v7();
    let name = create.name.as_str();
    let mut conn = db::connection(&pool).await?;
    conn.transaction(async |conn| {
        store::insert_account(conn, id, &email, name, &hash, now).await?;
        invitations::accept(conn, &invitation, id, now).await
    })
    .await?;
    let view = store::find_account(&mut conn, id).await?;
    let mut response = HttpResponse::Created();
    response.insert_header((header::LOCATION, "/v1/me"));
    Ok(respond(response, &view))
}

/// The account that asks.
#[utoipa::path(tag = "accounts", operation_id = "get_account", responses((status = 200, description = "The account.", body = AccountView)))]
#[get("/me")]
pub async fn get_account(account: Account, pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    Ok(respond(HttpResponse::Ok(), &store::find_account(&mut conn, account.id).await?))
}

/// Changes the account's name.
#[utoipa::path(
    tag = "accounts",
    operation_id = "update_account",
    params(("If-Match" = String, Header, description = "The ETag that was read.")),
    request_body(content = UpdateAccount, content_type = "application/merge-patch+json"),
    responses((status = 200, description = "Changed.", body = AccountView))
)]
#[patch("/me")]
pub async fn update_account(
    account: Account,
    patch: MergePatch,
    if_match: IfMatch,
    pool: web::Data<Pool>,
) -> Result<HttpResponse, ApiError> {
    let stale = |view: &AccountView| {
        let current = serde_json::to_value(view).unwrap_or_default();
        let words = format!("it is at version {} now; read it again", view.version);
        Problem::new(ErrorCode::PreconditionFailed, words).with("current", current)
    };
    if patch.0.get("name").is_some_and(serde_json::Value::is_null) {
        return Err(ApiError::field("/name", "missing", "an account keeps a name"));
    }
    let update: UpdateAccount = shape::read(&patch.0).map_err(Problem::invalid)?;
    let mut conn = db::connection(&pool).await?;
    let view = store::find_account(&mut conn, account.id).await?;
    let version = match if_match {
        IfMatch::Missing => {
            let words = "send If-Match with the ETag that you have read";
            return Err(ApiError::new(ErrorCode::PreconditionRequired, words));
        }
        IfMatch::Version { epoch, version } if epoch == account.id && version == view.version => version,
        _ => return Err(stale(&view).into()),
    };
    if let Some(name) = update.name
        && !store::update_name(&mut conn, account.id, version, name.as_str()).await?
    {
        return Err(stale(&store::find_account(&mut conn, account.id).await?).into());
    }
    Ok(respond(HttpResponse::Ok(), &store::find_account(&mut conn, account.id).await?))
}

async fn require_password(
    pointer: &str,
    password: String,
    account: Account,
    request: &HttpRequest,
    auth: &Authenticator,
    limits: &Limits,
    pool: &Pool,
) -> Result<(), ApiError> {
    limits.login(request, &account.id.to_string())?;
    let hash = store::find_password(&mut *db::connection(pool).await?, account.id).await?;
    if auth.passwords.verify(password, hash).await? {
        return Ok(());
    }
    Err(ApiError::field(pointer, "wrong", "is not the account's password"))
}

/// Changes the password. Every other session ends; device tokens too, when asked.
#[utoipa::path(
    tag = "accounts",
    operation_id = "update_password",
    request_body = ChangePassword,
    responses((status = 204, description = "Changed."))
)]
#[put("/me/password")]
pub async fn update_password(
    request: HttpRequest,
    account: Account,
    body: Json<ChangePassword>,
    auth: web::Data<Authenticator>,
    limits: web::Data<Limits>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let Json(change) = body;
    check_password("/new_password", &change.new_password, &[])?;
    require_password("/current_password", change.current_password, account, &request, &auth, &limits, &pool)
        .await?;
    let hash = auth.passwords.hash(change.new_password).await?;
    let now = clock.now();
    let mut conn = db::connection(&pool).await?;
    conn.transaction(async |conn| {
        store::update_password(conn, account.id, &hash).await?;
        sessions::revoke_sessions(conn, account.id, account.session(), now).await?;
        if change.revoke_device_tokens == Some(true) {
            device_tokens::revoke_device_tokens(conn, account.id, now).await?;
        }
        Ok::<_, ApiError>(())
    })
    .await?;
    auth.forget();
    Ok(HttpResponse::NoContent().finish())
}

/// Ends the account: its personal kitroom goes; what it logged in clubs stays, under a neutral name.
#[utoipa::path(
    tag = "accounts",
    operation_id = "delete_account",
    request_body = DeleteAccount,
    responses((status = 204, description = "Ended."))
)]
#[delete("/me")]
pub async fn delete_account(
    request: HttpRequest,
    account: Account,
    body: Json<DeleteAccount>,
    auth: web::Data<Authenticator>,
    limits: web::Data<Limits>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    require_password("/password", body.0.password, account, &request, &auth, &limits, &pool).await?;
    let now = clock.now();
    let mut conn = db::connection(&pool).await?;
    conn.transaction(async |conn| {
        store::delete_account(conn, account.id, now).await?;
        sessions::revoke_sessions(conn, account.id, None, now).await?;
        device_tokens::revoke_device_tokens(conn, account.id, now).await
    })
    .await?;
    auth.forget();
    Ok(HttpResponse::NoContent().finish())
}

/// Everything that the service holds of the account.
#[utoipa::path(
    tag = "accounts",
    operation_id = "get_export",
    responses((
        status = 200,
        description = "The account, its memberships, its records.",
        body = Object,
        example = json!({
            "account": {"id": "019d0000-0000-7000-8000-000000000007", "email": "runner@example.org", "name": "Runner",
                "version": 1, "created_at": "2026-03-01T05:10:00.000Z"},
            "runner": {"body_mass_kg": 68.5, "version": 1},
            "kitrooms": []
        })
    ))
)]
#[get("/me/export")]
pub async fn get_export(account: Account, pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let export = conn
        .build_transaction()
        .repeatable_read()
        .read_only()
        .run(async |conn| store::export(conn, account.id).await)
        .await?;
    let attachment = "attachment; filename=\"tarebook-account.json\"";
    Ok(HttpResponse::Ok().insert_header((header::CONTENT_DISPOSITION, attachment)).json(export))
}
