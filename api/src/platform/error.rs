//! Errors as they leave the service: always `application/problem+json`, the internal cause logged once and never sent.

use std::fmt;

use actix_web::body::MessageBody;
use actix_web::dev::{ServiceRequest, ServiceResponse};
use actix_web::http::StatusCode;
use actix_web::http::header::{self, HeaderName, HeaderValue};
use actix_web::middleware::Next;
use actix_web::{HttpMessage, HttpResponse, ResponseError};
use domain::wire::problem::{ErrorCode, FieldError, Problem};
use uuid::Uuid;

/// The media type of problems.
pub const PROBLEM_JSON: &str = "application/problem+json";

/// What a handler fails with.
#[derive(Debug, Clone)]
pub struct ApiError {
    problem: Box<Problem>,
    headers: Vec<(HeaderName, HeaderValue)>,
}

impl ApiError {
    /// A problem with its code and words.
    pub fn new(code: ErrorCode, detail: impl Into<String>) -> Self {
        Problem::new(code, detail).into()
    }

    /// There is nothing here, or nothing that is shown to this account: one answer for both.
    #[must_use]
    pub fn not_found() -> Self {
        Self::new(ErrorCode::NotFound, "there is nothing at this address that is shown to you")
    }

    /// `validation-failed` with one field.
    #[must_use]
    pub fn field(pointer: &str, code: &str, detail: impl Into<String>) -> Self {
        Problem::invalid(vec![FieldError::new(pointer, code, detail)]).into()
    }

    /// `unavailable`; the cause is logged.
    pub fn unavailable(what: &str, cause: impl fmt::Display) -> Self {
        tracing::error!(%cause, "{what}");
        Self::new(ErrorCode::Unavailable, "the database does not answer; try again in a few seconds")
            .with_header(header::RETRY_AFTER, "5")
    }

    /// `internal`; the cause is logged.
    pub fn internal(what: &str, cause: impl fmt::Display) -> Self {
        tracing::error!(%cause, "{what}");
        Self::new(
            ErrorCode::Internal,
            "nothing was stored; try again, and quote the request id when it stays so",
        )
    }

    /// With a response header. A value that is no header is left out.
    #[must_use]
    pub fn with_header(mut self, name: HeaderName, value: &str) -> Self {
        if let Ok(value) = HeaderValue::from_str(value) {
            self.headers.push((name, value));
        }
        self
    }

    /// The problem.
    #[must_use]
    pub fn problem(&self) -> &Problem {
        &self.problem
    }
}

impl From<Problem> for ApiError {
    fn from(problem: Problem) -> Self {
        Self { problem: Box::new(problem), headers: Vec::new() }
    }
}

impl From<diesel::result::Error> for ApiError {
    fn from(error: diesel::result::Error) -> Self {
        use diesel::result::{DatabaseErrorKind as Kind, Error};
        match &error {
            Error::DatabaseError(
                Kind::SerializationFailure | Kind::ClosedConnection | Kind::UnableToSendCommand,
                _,
            ) => Self::unavailable("the database gave up", error),
            // Statement and lock timeouts, deadlocks, a server that is stopping: nothing was promised; try again.
            Error::DatabaseError(_, info) if is_transient(info.message()) => {
                Self::unavailable("the database gave up", error)
            }
            Error::DatabaseError(..) => Self::internal("a statement failed", error),
            _ => Self::internal("the database failed", error),
        }
    }
}

fn is_transient(message: &str) -> bool {
    [
        "timeout",
        "deadlock",
        "terminating connection",
        "shutting down",
        "starting up",
        "connection closed",
        "recovery mode",
    ]
    .iter()
    .any(|word| message.contains(word))
}

impl fmt::Display for ApiError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} {}", self.problem.status, self.problem.detail.as_deref().unwrap_or(&self.problem.title))
    }
}

impl std::error::Error for ApiError {}

impl ResponseError for ApiError {
    fn status_code(&self) -> StatusCode {
        StatusCode::from_u16(self.problem.status).unwrap_or(StatusCode::INTERNAL_SERVER_ERROR)
    }

    fn error_response(&self) -> HttpResponse {
        let mut response = HttpResponse::build(self.status_code());
        for (name, value) in &self.headers {
            response.insert_header((name.clone(), value.clone()));
        }
        if self.status_code() == StatusCode::UNAUTHORIZED {
            response.insert_header((header::WWW_AUTHENTICATE, "Bearer"));
        }
        let mut response = response.content_type(PROBLEM_JSON).json(&*self.problem);
        response.extensions_mut().insert((*self.problem).clone());
        response
    }
}

/// The id under which a request is logged, answered in `X-Request-Id` and in every problem.
#[derive(Debug, Clone, Copy)]
pub struct RequestId(pub Uuid);

/// What a browser may load because of an answer: nothing.
const POLICY: &str = "default-src 'none'; frame-ancestors 'none'";
/// The docs page loads its own files, and styles that its script writes; nothing from elsewhere.
const DOCS_POLICY: &str = "default-src 'none'; script-src 'self'; style-src 'self' 'unsafe-inline'; \
                           img-src 'self' data:; font-src 'self' data:; connect-src 'self'; base-uri 'none'; \
                           form-action 'none'; frame-ancestors 'none'";

const X_REQUEST_ID: HeaderName = HeaderName::from_static("x-request-id");

/// Gives each request its id, turns whatever failed without a problem into one, and writes the id into it.
///
/// # Errors
/// Never, as long as no middleware inside fails.
pub async fn finish(
    request: ServiceRequest,
    next: Next<impl MessageBody + 'static>,
) -> Result<ServiceResponse<actix_web::body::BoxBody>, actix_web::Error> {
    let id = RequestId(Uuid::now_v7());
    request.extensions_mut().insert(id);
    let policy = if request.path().starts_with("/docs/") { DOCS_POLICY } else { POLICY };
    // A handler's failure is a response already; only a middleware's own would come as an error, and none has one.
    let mut response = next.call(request).await?.map_into_boxed_body();
    let problem = response.response_mut().extensions_mut().remove::<Problem>();
    let is_problem = response.headers().get(header::CONTENT_TYPE).is_some_and(|t| t == PROBLEM_JSON);
    let status = response.status();
    let problem =
        problem.or_else(|| (status.as_u16() >= 400 && !is_problem).then(|| framework_problem(status)));
    if let Some(mut problem) = problem {
        problem.request_id = Some(id.0.to_string());
        let body = serde_json::to_vec(&problem).unwrap_or_default();
        response.headers_mut().remove(header::CONTENT_LENGTH);
        response.headers_mut().remove(header::CONTENT_ENCODING);
        response.headers_mut().insert(header::CONTENT_TYPE, HeaderValue::from_static(PROBLEM_JSON));
        response = response.map_body(|_, _| actix_web::body::BoxBody::new(body));
    }
    if let Ok(value) = HeaderValue::from_str(&id.0.to_string()) {
        response.headers_mut().insert(X_REQUEST_ID, value);
    }
    let headers = response.headers_mut();
    if !headers.contains_key(header::CACHE_CONTROL) {
        headers.insert(header::CACHE_CONTROL, HeaderValue::from_static("no-store"));
    }
    headers.insert(header::X_CONTENT_TYPE_OPTIONS, HeaderValue::from_static("nosniff"));
    headers.insert(header::REFERRER_POLICY, HeaderValue::from_static("no-referrer"));
    headers.insert(header::X_FRAME_OPTIONS, HeaderValue::from_static("DENY"));
    headers.insert(header::CONTENT_SECURITY_POLICY, HeaderValue::from_static(policy));
    Ok(response)
}

fn framework_problem(status: StatusCode) -> Problem {
    let code = match status.as_u16() {
        404 => ErrorCode::NotFound,
        405 => ErrorCode::MethodNotAllowed,
        406 => ErrorCode::NotAcceptable,
        413 => ErrorCode::PayloadTooLarge,
        415 => ErrorCode::UnsupportedMediaType,
        400..=499 => ErrorCode::BadRequest,
        503 => ErrorCode::Unavailable,
        _ => ErrorCode::Internal,
    };
    Problem { status: status.as_u16(), ..Problem::new(code, code.title()) }
}
