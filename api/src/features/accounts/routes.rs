//! `/v1/me`.

use actix_web::{HttpResponse, get, web};
use domain::wire::account::AccountView;

use super::store;
use crate::platform::auth::Account;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;

/// The account that asks.
#[utoipa::path(tag = "accounts", operation_id = "get_account", responses((status = 200, description = "The account.", body = AccountView)))]
#[get("/me")]
pub async fn get_account(account: Account, pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    Ok(HttpResponse::Ok().json(store::find_account(&mut conn, account.id).await?))
}
