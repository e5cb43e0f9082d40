//! `/v1/sessions`.

use actix_web::{HttpResponse, post, web};
use domain::wire::account::{CreateSession, SessionView};
use domain::wire::problem::ErrorCode;
use uuid::Uuid;

use super::store;
use crate::platform::auth::{ACCESS_TOKEN_S, Authenticator, PASSWORD_MAX};
use crate::platform::clock::Clock;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::Json;
use crate::platform::token;

/// Logs in.
#[utoipa::path(
    tag = "accounts",
    operation_id = "create_session",
    request_body = CreateSession,
    responses((status = 201, description = "Logged in.", body = SessionView))
)]
#[post("/sessions")]
pub async fn create_session(
    body: Json<CreateSession>,
    auth: web::Data<Authenticator>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    let Json(login) = body;
    if login.password.len() > PASSWORD_MAX {
        return Err(ApiError::field("/password", "too-long", format!("at most {PASSWORD_MAX} bytes")));
    }
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
    let session = Uuid::now_v7();
    let refresh = token::mint(token::REFRESH).map_err(|error| ApiError::internal("no randomness", error))?;
    let now = clock.now();
    let access_token = auth.access.issue(account, session, now)?;
    let mut conn = db::connection(&pool).await?;
    store::insert_session(&mut conn, session, account, &token::hash(&refresh), now).await?;
    let view = SessionView {
        access_token,
        token_type: "Bearer".into(),
        expires_in_s: ACCESS_TOKEN_S,
        refresh_token: refresh,
    };
    Ok(HttpResponse::Created().json(view))
}
