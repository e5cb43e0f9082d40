//! `K/attention`.

use actix_web::{HttpResponse, get, web};
use domain::attention::attention;
use domain::wire::attention::AttentionView;

use super::store;
use crate::features::kitrooms::access::KitroomAccess;
use crate::platform::answer;
use crate::platform::auth::Now;
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::workers::Workers;

/// What deserves a look, the most urgent first: before which race, by which day, and what to do about it.
#[utoipa::path(
    tag = "condition",
    operation_id = "get_attention",
    params(("kitroom_id" = String, Path, format = Uuid, description = "The kitroom.")),
    responses((status = 200, description = "The list; empty when nothing does.", body = AttentionView))
)]
#[get("/attention")]
pub async fn get_attention(
    access: KitroomAccess,
    pool: web::Data<Pool>,
    workers: web::Data<Workers>,
    now: Now,
) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    let input = store::load(&mut conn, access.kitroom, now.0).await?;
    drop(conn);
    answer::worked_out(&workers, move || attention(&input, now.0)).await
}
