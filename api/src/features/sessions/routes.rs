//! `/v1/sessions`.

use actix_web::{HttpRequest, HttpResponse, delete, get, post, web};
use domain::wire::account::{CreateSession, RefreshSession, SessionList, SessionView};
use domain::wire::problem::ErrorCode;
use uuid::Uuid;

use super::store::{self, Exchange};
use crate::platform::auth::{ACCESS_TOKEN_S, Account, Authenticator, Credential};
use crate::platform::clock::Clock;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{Json, path_id};
use crate::platform::limits::Limits;
use crate::platform::password::PASSWORD_MAX;
use crate::platform::token;

fn view(
    auth: &Authenticator,
    account: Uuid,
    session: Uuid,
    refresh: String,
    clock: &Clock,
) -> Result<SessionView, ApiError> {
    Ok(SessionView {
        access_token: auth.access.issue(account, session, clock.now())?,
        token_type: "Bearer".into(),
        expires_in_s: ACCESS_TOKEN_S,
        refresh_token: refresh,
    })
}

/// Logs in. An unknown address and a wrong password get the same answer after the same time.
#[utoipa::path(
    tag = "accounts",
    operation_id = "create_session",
    request_body = CreateSession,
    responses((status = 201, description = "Logged in.", body = SessionView))
)]
#[post("/sessions")]
pub async fn create_session(
    request: HttpRequest,
    body: Json<CreateSession>,
    auth: web::Data<Authenticator>,
    limits: web::Data<Limits>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let Json(login) = body;
    if login.password.len() > PASSWORD_MAX {
        return Err(ApiError::field("/password", "too-long", format!("at most {PASSWORD_MAX} bytes")));
    }
    limits.login(&request, &login.email)?;
    let found = store::find_login(&mut *db::connection(&pool).await?, &login.email).await?;
    let (account, hash) = found.map_or((None, None), |(id, hash)| (Some(id), Some(hash)));
    // The connection is back in the pool while the password is hashed.
    let right = auth.passwords.verify(login.password, hash).await?;
    let (true, Some(account)) = (right, account) else {
        return Err(ApiError::new(
            ErrorCode::NotAuthenticated,
            "the e-mail address or the password is wrong",
        ));
    };
    let refresh = token::mint(token::REFRESH).map_err(|error| ApiError::internal("no randomness", error))?;
    let session = Uuid::now_v7();
    let mut conn = db::connection(&pool).await?;
    store::insert_session(&mut conn, session, account, &token::hash(&refresh), clock.now()).await?;
    let location = format!("/v1/sessions/{session}");
    let view = view(&auth, account, session, refresh, &clock)?;
    Ok(HttpResponse::Created().insert_header(("Location", location)).json(view))
}

/// Exchanges a refresh token for the next pair. Each is good for one exchange; when the reply is lost, the same token
/// with the same rotation id gets the same answer, for a day, until the successor is used.
#[utoipa::path(
    tag = "accounts",
    operation_id = "refresh_session",
    request_body = RefreshSession,
    responses((status = 200, description = "The next pair.", body = SessionView))
)]
#[post("/sessions/refresh")]
pub async fn refresh_session(
    request: HttpRequest,
    body: Json<RefreshSession>,
    auth: web::Data<Authenticator>,
    limits: web::Data<Limits>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let refused = |words: &str| ApiError::new(ErrorCode::NotAuthenticated, words);
    let Json(RefreshSession { refresh_token, rotation_id }) = body;
    limits.address(&request)?;
    if !token::is_well_formed(token::REFRESH, &refresh_token) {
        return Err(refused("this is no refresh token; log in again, what you have not sent is safe"));
    }
    let successor = auth.successor(&refresh_token, rotation_id);
    let mut conn = db::connection(&pool).await?;
    let (hash, next) = (token::hash(&refresh_token), token::hash(&successor));
    match store::exchange(&mut conn, &hash, rotation_id, &next, clock.now()).await? {
        Exchange::Granted { account, session } => {
            Ok(HttpResponse::Ok().json(view(&auth, account, session, successor, &clock)?))
        }
        Exchange::Unknown => {
            Err(refused("the session is over; log in again, what you have not sent is safe"))
        }
        Exchange::Elsewhere => Err(refused(
            "another process of yours exchanged this token a moment ago; use what it got, or log in again",
        )),
        Exchange::Stolen { session } => {
            auth.forget();
            tracing::warn!(%session, "a refresh token was used after its successor: the session is ended");
            Err(refused(
                "this token was used twice, so its session was ended; log in again, what you have not sent is safe",
            ))
        }
    }
}

/// The account's open sessions.
#[utoipa::path(tag = "accounts", operation_id = "list_sessions", responses((status = 200, description = "The sessions.", body = SessionList)))]
#[get("/sessions")]
pub async fn list_sessions(
    account: Account,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let items = store::list_sessions(&mut conn, account.id, account.session(), clock.now()).await?;
    Ok(HttpResponse::Ok().json(SessionList { items }))
}

/// Logs out: ends a session of the account, `current` for the one that asks.
#[utoipa::path(
    tag = "accounts",
    operation_id = "delete_session",
    params(("session_id" = String, Path, description = "The session's id, or `current`.", example = "current")),
    responses((status = 204, description = "Ended."))
)]
#[delete("/sessions/{session_id}")]
pub async fn delete_session(
    account: Account,
    path: web::Path<String>,
    auth: web::Data<Authenticator>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let session = match (path.as_str(), account.credential) {
        ("current", Credential::Session(session)) => session,
        ("current", Credential::Device(_)) => return Err(ApiError::not_found()),
        (id, _) => path_id(id)?,
    };
    let mut conn = db::connection(&pool).await?;
    if !store::revoke_session(&mut conn, account.id, session, clock.now()).await? {
        return Err(ApiError::not_found());
    }
    auth.forget();
    Ok(HttpResponse::NoContent().finish())
}
