//! What every operation has in common: security, problems, headers, examples.

use domain::wire::problem::{ErrorCode, Problem};
use utoipa::ToSchema;
use utoipa::openapi::content::{Content, ContentBuilder};
use utoipa::openapi::header::HeaderBuilder;
use utoipa::openapi::path::{HttpMethod, Operation, Parameter, ParameterBuilder, ParameterIn};
use utoipa::openapi::response::ResponseBuilder;
use utoipa::openapi::schema::{ComponentsBuilder, ObjectBuilder, Type};
use utoipa::openapi::security::{HttpAuthScheme, HttpBuilder, SecurityRequirement, SecurityScheme};
use utoipa::openapi::{OpenApi, Ref, RefOr, Tag};

use super::{examples, operations};
use crate::platform::error::PROBLEM_JSON;
use crate::platform::extract::IdempotencyKey;

const SCHEME: &str = "bearer";

/// Operations that anyone may ask.
const OPEN: &[&str] = &[
    "get_health",
    "get_readiness",
    "get_metrics",
    "create_session",
    "refresh_session",
    "create_account",
    "list_attributes",
    "get_rule_sheet_schema",
];

/// Operations with a body that change nothing.
const READING: &[&str] = &["find_lightest_set"];

/// Operations that count attempts.
const LIMITED: &[&str] = &[
    "create_session",
    "refresh_session",
    "create_account",
    "create_membership",
    "update_password",
    "delete_account",
];

/// Operations that take a recent login, at least for some of what they do.
const RECENT: &[&str] = &["create_device_token", "delete_kitroom", "create_invitation", "update_member"];

/// Operations that keep at least one owner.
const OWNED: &[&str] = &["update_member", "delete_member", "delete_account"];

/// Completes the document.
pub fn finish(document: &mut OpenApi) {
    document.tags = Some(
        [
            ("kit", "Items of kit."),
            ("weighing", "Scales, sittings, check readings and weighings: what a mass rests on."),
            ("condition", "What happened to an item, and how many units of a kind are left."),
            ("races", "Seasons, rule sheets and races."),
            ("loadouts", "What a runner takes to a race, and its seal on the day."),
            ("kitrooms", "Whose kit it is; the unit of membership and of sync."),
            ("sync", "What changed, and the way in for a device's own changes."),
            ("accounts", "Accounts, sessions and device tokens."),
            ("service", "The service itself."),
        ]
        .map(|(name, words)| {
            let mut tag = Tag::new(name);
            tag.description = Some(words.into());
            tag
        })
        .into(),
    );
    let mut components = document.components.take().unwrap_or_else(|| ComponentsBuilder::new().build());
    components.schemas.insert("Problem".into(), <Problem as utoipa::PartialSchema>::schema());
    let mut nested = Vec::new();
    Problem::schemas(&mut nested);
    components.schemas.extend(nested);
    let scheme = HttpBuilder::new()
        .scheme(HttpAuthScheme::Bearer)
        .description(Some("an access token of a session, or a device token"))
        .build();
    components.add_security_scheme(SCHEME, SecurityScheme::Http(scheme));
    document.components = Some(components);
    for (path, item) in &mut document.paths.paths {
        for (method, operation) in operations(item) {
            complete(path, &method, operation);
        }
    }
}

fn complete(path: &str, method: &HttpMethod, operation: &mut Operation) {
    let id = operation.operation_id.clone().unwrap_or_default();
    let open = OPEN.contains(&id.as_str());
    if !open {
        operation.security = Some(vec![SecurityRequirement::new::<_, [&str; 0], &str>(SCHEME, [])]);
    }
    for parameter in operation.parameters.iter_mut().flatten() {
        if let RefOr::T(parameter) = parameter {
            restrict(method, parameter);
        }
    }
    for (code, words) in problems_of(path, method, operation, open) {
        let status = code.status().to_string();
        operation.responses.responses.entry(status).or_insert_with(|| RefOr::T(problem(code, words)));
    }
    let tagged = path.starts_with("/v1/kitrooms/{kitroom_id}/") && path.ends_with('}');
    if *method == HttpMethod::Get && (tagged || id == "get_sync") {
        let unchanged = ResponseBuilder::new().description("It is as If-None-Match says.").build();
        operation.responses.responses.insert("304".into(), RefOr::T(unchanged));
        let known = ParameterBuilder::new()
            .name("If-None-Match")
            .parameter_in(ParameterIn::Header)
            .description(Some("The ETags of what is known already."))
            .schema(Some(ObjectBuilder::new().schema_type(Type::String)))
            .build();
        operation.parameters.get_or_insert_default().push(RefOr::T(known));
    }
    if let Some(RefOr::T(body)) = &mut operation.request_body {
        body.content.values_mut().for_each(add_example);
    }
    for (status, response) in &mut operation.responses.responses {
        let RefOr::T(response) = response else { continue };
        response.content.values_mut().for_each(add_example);
        if status == "201" {
            let text = ObjectBuilder::new().schema_type(Type::String);
            let header =
                HeaderBuilder::new().schema(Some(text)).description(Some("where it is found")).build();
            response.headers.insert("Location".into(), RefOr::T(header));
        }
    }
}

/// What a parameter takes, where its Rust type does not say it.
fn restrict(method: &HttpMethod, parameter: &mut Parameter) {
    let text = |pattern: &str| ObjectBuilder::new().schema_type(Type::String).pattern(Some(pattern));
    let query = parameter.parameter_in == ParameterIn::Query;
    let pattern = match (parameter.name.as_str(), method) {
        ("If-Match", HttpMethod::Delete) => r#"^(\*|"[0-9a-f]{32}-[0-9]{1,18}-[0-9a-f]{8}")$"#,
        ("If-Match", _) => r#"^"[0-9a-f]{32}-[0-9]{1,18}-[0-9a-f]{8}"$"#,
        ("Idempotency-Key", _) => IdempotencyKey::PATTERN,
        ("kind" | "size" | "q", _) if query => r"^[^\x00]*$",
        ("cursor", _) => "^[A-Za-z0-9_-]+$",
        (name, _) if query && (name.ends_with("_id") || matches!(name, "from" | "to")) => {
            parameter.schema = Some(domain::openapi::uuid_v7());
            return;
        }
        _ => return,
    };
    parameter.schema = Some(text(pattern).into());
}

fn add_example(content: &mut RefOr<Content>) {
    if let RefOr::T(content) = content
        && content.example.is_none()
        && let Some(example) = content.schema.as_ref().and_then(name_of).and_then(examples::of)
    {
        content.example = Some(example);
    }
}

fn name_of(schema: &RefOr<utoipa::openapi::Schema>) -> Option<&str> {
    match schema {
        RefOr::Ref(reference) => reference.ref_location.rsplit('/').next(),
        RefOr::T(_) => None,
    }
}

fn problems_of(
    path: &str,
    method: &HttpMethod,
    operation: &Operation,
    open: bool,
) -> Vec<(ErrorCode, &'static str)> {
    let mut codes = vec![
        (ErrorCode::Internal, "Nothing was stored; the request id helps to find out why."),
        (ErrorCode::Unavailable, "Nothing was stored; try again after Retry-After."),
        (ErrorCode::NotAcceptable, "Neither gzip nor plain is an encoding that is accepted."),
    ];
    let id = operation.operation_id.as_deref().unwrap_or_default();
    let has_parameter = |name: &str| {
        operation.parameters.iter().flatten().any(|p| matches!(p, RefOr::T(p) if p.name == name))
    };
    let reading = READING.contains(&id);
    let writes = (operation.request_body.is_some() || *method == HttpMethod::Delete) && !reading;
    if LIMITED.contains(&id) {
        codes.push((ErrorCode::RateLimited, "Too many attempts; Retry-After says how long to wait."));
    }
    if RECENT.contains(&id) {
        codes.push((ErrorCode::ReauthenticationRequired, "It takes a recent login with the password."));
    }
    if OWNED.contains(&id) {
        codes.push((ErrorCode::LastOwner, "A kitroom keeps at least one owner."));
    }
    if id == "create_account" {
        codes.push((ErrorCode::Conflict, "There is an account for this address already."));
    }
    if !open || id == "create_session" || id == "refresh_session" {
        codes.push((ErrorCode::NotAuthenticated, "No token, or none that is good."));
    }
    if path.contains('{') {
        codes.push((ErrorCode::NotFound, "There is nothing here, or nothing that is shown to this account."));
    }
    if path.contains("{kitroom_id}") && (writes || id == "list_invitations") {
        codes.push((ErrorCode::Forbidden, "The role does not allow it."));
    }
    if operation.request_body.is_some() {
        codes.push((ErrorCode::MalformedJson, "The body is no JSON; the byte is named."));
        codes.push((ErrorCode::PayloadTooLarge, "Over the limit, after decompression."));
        codes.push((ErrorCode::UnsupportedMediaType, "Another content type or encoding."));
        codes.push((ErrorCode::ValidationFailed, "Each wrong field is named."));
    }
    if operation
        .parameters
        .iter()
        .flatten()
        .any(|p| matches!(p, RefOr::T(p) if p.parameter_in == ParameterIn::Query))
    {
        codes.push((ErrorCode::ValidationFailed, "Each wrong parameter is named."));
        codes.push((ErrorCode::CursorInvalid, "The cursor is none of this list's."));
    }
    if id == "push_ops" {
        codes.push((ErrorCode::CursorInvalid, "The cursor or the ack is none of this kitroom's."));
    }
    if (writes || reading) && path.contains("/kitrooms") {
        codes.push((ErrorCode::Conflict, "It contradicts what is stored."));
    }
    if id == "list_changes" {
        codes.push((ErrorCode::EpochChanged, "The server was restored or copied."));
        codes.push((ErrorCode::CursorExpired, "The cursor is too old."));
    }
    if has_parameter("If-Match") {
        codes.push((ErrorCode::PreconditionFailed, "It has changed since it was read."));
        codes.push((ErrorCode::PreconditionRequired, "If-Match is missing."));
    }
    codes
}

fn problem(code: ErrorCode, words: &str) -> utoipa::openapi::Response {
    let content = ContentBuilder::new()
        .schema(Some(Ref::from_schema_name("Problem")))
        .example(Some(examples::problem(code)))
        .build();
    ResponseBuilder::new().description(words).content(PROBLEM_JSON, content).build()
}
