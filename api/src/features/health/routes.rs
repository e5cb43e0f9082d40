//! `/healthz`, `/readyz`, `/metrics`.

use actix_web::{HttpResponse, get, web};
use diesel_async::RunQueryDsl;
use serde::Serialize;

use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::telemetry::Metrics;

/// The state of the service.
#[derive(Debug, Serialize, utoipa::ToSchema)]
pub struct Health {
    /// `ok`.
    #[schema(example = "ok")]
    status: &'static str,
    /// The version of the service.
    #[schema(example = "0.1.0")]
    version: &'static str,
}

const HEALTH: Health = Health { status: "ok", version: env!("CARGO_PKG_VERSION") };

/// Whether the process lives.
#[utoipa::path(tag = "service", operation_id = "get_health", responses((status = 200, description = "It lives.", body = Health)))]
#[get("/healthz")]
pub async fn get_health() -> HttpResponse {
    HttpResponse::Ok().json(HEALTH)
}

/// Whether it can work: the database answers.
#[utoipa::path(tag = "service", operation_id = "get_readiness", responses((status = 200, description = "It can work.", body = Health)))]
#[get("/readyz")]
pub async fn get_readiness(pool: web::Data<Pool>) -> Result<HttpResponse, ApiError> {
    let mut conn = db::connection(&pool).await?;
    diesel::sql_query("select 1")
        .execute(&mut conn)
        .await
        .map_err(|error| ApiError::unavailable("the database does not answer", error))?;
    Ok(HttpResponse::Ok().json(HEALTH))
}

/// What it has done, for Prometheus.
#[utoipa::path(tag = "service", operation_id = "get_metrics", responses((status = 200, description = "Text exposition format.", body = String, content_type = "text/plain")))]
#[get("/metrics")]
pub async fn get_metrics(metrics: web::Data<Metrics>) -> HttpResponse {
    HttpResponse::Ok().content_type("text/plain; version=0.0.4").body(metrics.render())
}
