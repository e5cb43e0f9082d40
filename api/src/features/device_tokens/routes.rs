//! `/v1/device-tokens`.

use actix_web::http::header;
use actix_web::{HttpResponse, delete, get, post, web};
use domain::time::Timestamp;
use domain::wire::account::{CreateDeviceToken, DeviceTokenList, DeviceTokenView};
use domain::wire::problem::ErrorCode;
use uuid::Uuid;

use super::store;
use crate::platform::auth::{Account, Authenticator, RecentLogin};
use crate::platform::clock::Clock;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::extract::{Json, path_id};
use crate::platform::token;

/// The most device tokens of one account.
const AT_MOST: i64 = 100;

/// Makes a device token. Its secret is in this answer and nowhere else. Takes a recent login: a lost device cannot make
/// more of them.
#[utoipa::path(
    tag = "accounts",
    operation_id = "create_device_token",
    request_body = CreateDeviceToken,
    responses((status = 201, description = "The token, with its secret.", body = DeviceTokenView))
)]
#[post("/device-tokens")]
pub async fn create_device_token(
    account: Account,
    body: Json<CreateDeviceToken>,
    recent: RecentLogin,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
) -> Result<HttpResponse, ApiError> {
    recent.require()?;
    let secret = token::mint(token::DEVICE).map_err(|error| ApiError::internal("no randomness", error))?;
    let (id, now) = (Uuid::now_v7(), clock.now());
    let mut conn = db::connection(&pool).await?;
    if store::count_device_tokens(&mut conn, account.id).await? >= AT_MOST {
        let words = format!("an account has at most {AT_MOST} device tokens; revoke one that is not needed");
        return Err(ApiError::new(ErrorCode::QuotaExceeded, words));
    }
    store::insert_device_token(&mut conn, account.id, id, body.0.name.as_str(), &token::hash(&secret), now)
        .await?;
    let view = DeviceTokenView {
        id,
        name: body.0.name.into(),
        created_at: Timestamp::from_utc(now),
        last_used_at: None,
        token: Some(secret),
    };
    Ok(HttpResponse::Created()
        .insert_header((header::LOCATION, format!("/v1/device-tokens/{id}")))
        .json(view))
}

/// The account's device tokens.
#[utoipa::path(tag = "accounts", operation_id = "list_device_tokens", responses((status = 200, description = "The tokens.", body = DeviceTokenList)))]
#[get("/device-tokens")]
pub async fn list_device_tokens(account: Account, pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let items = store::list_device_tokens(&mut conn, account.id).await?;
    Ok(HttpResponse::Ok().json(DeviceTokenList { items }))
}

/// Revokes a device token; it is refused from now on.
#[utoipa::path(
    tag = "accounts",
    operation_id = "delete_device_token",
    params(("token_id" = String, Path, format = Uuid, description = "The token's id.")),
    responses((status = 204, description = "Revoked."))
)]
#[delete("/device-tokens/{token_id}")]
pub async fn delete_device_token(
    account: Account,
    path: web::Path<String>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
    auth: web::Data<Authenticator>,
) -> Result<HttpResponse, ApiError> {
    let id = path_id(&path)?;
    let mut conn = db::connection(&pool).await?;
    if !store::revoke_device_token(&mut conn, account.id, id, clock.now()).await? {
        return Err(ApiError::not_found());
    }
    auth.forget();
    Ok(HttpResponse::NoContent().finish())
}
