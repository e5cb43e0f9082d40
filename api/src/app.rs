//! Builds the service. The tests run what this builds.

use std::io;
use std::net::TcpListener;
use std::sync::Arc;
use std::time::Duration;

use actix_web::dev::{Server, ServerHandle};
use actix_web::http::header;
use actix_web::middleware::{Compress, from_fn};
use actix_web::{App, HttpRequest, HttpResponse, HttpServer, web};
use domain::wire::problem::ErrorCode;
use utoipa::openapi::OpenApi;
use utoipa_actix_web::AppExt;
use utoipa_swagger_ui::{Config, SwaggerUi};

use crate::door::Pushes;
use crate::features::sync::waits::{Waits, wake};
use crate::openapi;
use crate::platform::auth::Authenticator;
use crate::platform::clock::Clock;
use crate::platform::db;
use crate::platform::error::{ApiError, finish};
use crate::platform::limits::{Bounds, Limits, LoginLimits};
use crate::platform::password::PasswordCost;
use crate::platform::telemetry::{Metrics, observe};
use crate::platform::workers::Workers;
use crate::routes;

/// What the service is built from.
#[derive(Debug, Clone)]
pub struct Settings {
    /// The database.
    pub database_url: String,
    /// Connections to it in all, shared out to the workers.
    pub connections: usize,
    /// Worker threads.
    pub workers: usize,
    /// The key of the access tokens.
    pub signing_key: [u8; 32],
    /// The cost of hashing a password.
    pub password_cost: PasswordCost,
    /// How often somebody may guess.
    pub login_limits: LoginLimits,
    /// How much may be taken.
    pub bounds: Bounds,
    /// The time.
    pub clock: Clock,
    /// Who waits for changes.
    pub waits: Arc<Waits>,
}

/// How long open requests may take when the service is stopped, in seconds.
const SHUTDOWN_S: u64 = 10;

/// A server on a listener that is bound already; nothing is answered until it is awaited.
///
/// # Errors
/// When a pool or the socket cannot be set up.
pub fn serve(settings: &Settings, listener: TcpListener) -> io::Result<Server> {
    let auth = Authenticator::new(&settings.signing_key, settings.password_cost).map_err(io::Error::other)?;
    let limits = web::Data::new(Limits::new(settings.login_limits));
    let (auth, metrics) = (web::Data::new(auth), web::Data::new(Metrics::default()));
    let (clock, workers) = (web::Data::new(settings.clock.clone()), web::Data::new(Workers::default()));
    let document = Arc::new(openapi::document());
    let bounds = web::Data::new(settings.bounds);
    let waits = web::Data::from(settings.waits.clone());
    let pushes = web::Data::new(Pushes::default());
    let json = web::Data::new(OpenApiJson(openapi::to_json(&document)));
    let each = (settings.connections / settings.workers.max(1)).max(1);
    let url = settings.database_url.clone();
    // One bad address shows now, not at the first request of some worker.
    db::pool(&url, each).map_err(io::Error::other)?;
    let server = HttpServer::new(move || {
        // A pool of its own spares each worker the others' lock.
        let pool = db::pool(&url, each).map(web::Data::new);
        let (app, _) = App::new().into_utoipa_app().configure(routes::configure).split_for_parts();
        let app = app
            .app_data(auth.clone())
            .app_data(metrics.clone())
            .app_data(clock.clone())
            .app_data(workers.clone())
            .app_data(limits.clone())
            .app_data(bounds.clone())
            .app_data(waits.clone())
            .app_data(pushes.clone())
            .app_data(json.clone())
            .app_data(web::Data::from(document.clone()))
            .route("/openapi.json", web::get().to(get_openapi))
            .route("/docs", web::get().to(get_docs))
            .service(SwaggerUi::new("/docs/{_:.*}").config(docs()))
            .default_service(web::to(nothing_here))
            .wrap(from_fn(wake))
            .wrap(Compress::default())
            .wrap(from_fn(observe))
            .wrap(from_fn(finish));
        match pool {
            Ok(pool) => app.app_data(pool),
            Err(_) => app,
        }
    });
    Ok(server
        .workers(settings.workers)
        .shutdown_timeout(SHUTDOWN_S)
        .client_request_timeout(settings.bounds.head)
        .keep_alive(Duration::from_secs(75))
        .disable_signals()
        .listen(listener)?
        .run())
}

/// Stops a server cleanly: no new requests, those that wait are answered, the open ones go on to their end.
pub async fn stop(handle: ServerHandle, waits: &Waits) {
    waits.end();
    handle.stop(true).await;
}

/// Nothing of the docs page is fetched from elsewhere: not even the picture by which a validator would judge the
/// document.
fn docs() -> Config<'static> {
    Config::from("/openapi.json").validator_url("none")
}

struct OpenApiJson(String);

async fn get_openapi(json: web::Data<OpenApiJson>) -> HttpResponse {
    HttpResponse::Ok().content_type("application/json").body(json.0.clone())
}

async fn get_docs() -> HttpResponse {
    HttpResponse::PermanentRedirect().insert_header((header::LOCATION, "/docs/")).finish()
}

/// Tells an address that does not exist from a method that an address does not take.
async fn nothing_here(request: HttpRequest, document: web::Data<OpenApi>) -> Result<HttpResponse, ApiError> {
    let methods = openapi::methods_of(&document, request.path());
    if methods.is_empty() {
        return Err(ApiError::not_found());
    }
    let allow = methods.join(", ");
    let words = format!("{} takes {allow}", request.path());
    Err(ApiError::new(ErrorCode::MethodNotAllowed, words).with_header(header::ALLOW, &allow))
}
