//! Bodies, queries and preconditions of requests, with limits on what is decoded.

use std::io::Read;
use std::pin::Pin;

use actix_web::dev::Payload;
use actix_web::http::header;
use actix_web::{FromRequest, HttpRequest, web};
use domain::wire::problem::{ErrorCode, FieldError, Problem};
use domain::wire::seal::MAX_SEAL_BYTES;
use domain::wire::shape::{self, Object};
use futures_util::StreamExt;
use serde::de::DeserializeOwned;
use serde_json::Value;
use uuid::Uuid;

use super::error::ApiError;
use super::limits::Bounds;

/// The most bytes of an ordinary body, after decompression: the largest record, generously spaced.
pub const BODY_BYTES: usize = 2 * MAX_SEAL_BYTES;

/// A JSON object of at most `LIMIT` bytes after decompression, as `application/json`.
#[derive(Debug, Clone)]
pub struct JsonObject<const LIMIT: usize = BODY_BYTES>(pub Object);

/// A merge patch (RFC 7396), as `application/merge-patch+json`.
#[derive(Debug, Clone)]
pub struct MergePatch(pub Object);

/// A JSON object in the shape of a wire type.
#[derive(Debug, Clone)]
pub struct Json<T>(pub T);

impl<const LIMIT: usize> FromRequest for JsonObject<LIMIT> {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, payload) = (request.clone(), payload.take());
        Box::pin(async move { object(&request, payload, "application/json", LIMIT).await.map(Self) })
    }
}

impl FromRequest for MergePatch {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, payload) = (request.clone(), payload.take());
        Box::pin(async move {
            object(&request, payload, "application/merge-patch+json", BODY_BYTES).await.map(Self)
        })
    }
}

impl<T: DeserializeOwned + 'static> FromRequest for Json<T> {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let (request, payload) = (request.clone(), payload.take());
        Box::pin(async move {
            let object = object(&request, payload, "application/json", BODY_BYTES).await?;
            shape::read(&object).map(Self).map_err(|errors| Problem::invalid(errors).into())
        })
    }
}

async fn object(
    request: &HttpRequest,
    payload: Payload,
    media: &str,
    limit: usize,
) -> Result<Object, ApiError> {
    let given = request.headers().get(header::CONTENT_TYPE).and_then(|v| v.to_str().ok()).unwrap_or_default();
    let essence = given.split(';').next().unwrap_or_default().trim();
    if !essence.eq_ignore_ascii_case(media) {
        let error = ApiError::new(ErrorCode::UnsupportedMediaType, format!("send the body as {media}"));
        let hint = if request.method() == "PATCH" { "accept-patch" } else { "accept-post" };
        return Err(error.with_header(header::HeaderName::from_static(hint), media));
    }
    let encoding =
        request.headers().get(header::CONTENT_ENCODING).map(|v| v.to_str().unwrap_or("?").to_owned());
    let patience =
        request.app_data::<web::Data<Bounds>>().map_or(Bounds::PRODUCTION.body, |bounds| bounds.body);
    let Ok(bytes) = tokio::time::timeout(patience, read_all(payload, limit)).await else {
        let words = format!("the body did not arrive within {} s", patience.as_secs());
        return Err(ApiError::new(ErrorCode::BadRequest, words).with_header(header::CONNECTION, "close"));
    };
    let bytes = bytes?;
    let bytes = match encoding.as_deref().map(str::trim) {
        None | Some("identity") => bytes,
        Some(encoding) if encoding.eq_ignore_ascii_case("gzip") => gunzip(&bytes, limit)?,
        Some(_) => {
            let words = "the body may be plain or gzip";
            return Err(ApiError::new(ErrorCode::UnsupportedMediaType, words)
                .with_header(header::ACCEPT_ENCODING, "gzip"));
        }
    };
    match serde_json::from_slice::<Value>(&bytes) {
        Ok(mut value @ Value::Object(_)) => {
            whole_numbers(&mut value);
            match value {
                Value::Object(object) => Ok(object),
                _ => Err(ApiError::field("", "invalid", "the body must be a JSON object")),
            }
        }
        Ok(_) => Err(ApiError::field("", "invalid", "the body must be a JSON object")),
        Err(error) => {
            let at = byte_position(&bytes, error.line(), error.column());
            let words = format!("{error} (byte {at})");
            Err(Problem::new(ErrorCode::MalformedJson, words).with("byte", at).into())
        }
    }
}

/// JSON knows one sort of number: `2.0` is a whole number as `2` is (JSON Schema 2020-12, section 4.2.3). Both have one
/// canonical form, so that an op's hash is the same.
fn whole_numbers(value: &mut Value) {
    match value {
        Value::Object(map) => map.values_mut().for_each(whole_numbers),
        Value::Array(values) => values.iter_mut().for_each(whole_numbers),
        Value::Number(number) if number.is_f64() => {
            let Some(float) = number.as_f64() else { return };
            // Up to 2^53 a float is the number that was written.
            if float.fract() == 0.0 && float.abs() <= 9_007_199_254_740_992.0 {
                *number = (float as i64).into();
            }
        }
        _ => {}
    }
}

fn too_large(limit: usize) -> ApiError {
    let words = format!("the body is over {limit} bytes after decompression; send it in parts");
    Problem::new(ErrorCode::PayloadTooLarge, words).with("limit_bytes", limit).into()
}

async fn read_all(mut payload: Payload, limit: usize) -> Result<Vec<u8>, ApiError> {
    let mut bytes = Vec::new();
    while let Some(chunk) = payload.next().await {
        let chunk = chunk
            .map_err(|error| ApiError::new(ErrorCode::BadRequest, format!("the body broke off: {error}")))?;
        if bytes.len() + chunk.len() > limit {
            return Err(too_large(limit));
        }
        bytes.extend_from_slice(&chunk);
    }
    Ok(bytes)
}

/// Never holds more than `limit` decoded bytes, however far the input would expand.
fn gunzip(bytes: &[u8], limit: usize) -> Result<Vec<u8>, ApiError> {
    let mut out = Vec::new();
    let decoded = flate2::read::MultiGzDecoder::new(bytes).take(limit as u64 + 1).read_to_end(&mut out);
    decoded.map_err(|error| {
        ApiError::new(ErrorCode::BadRequest, format!("the body is not valid gzip: {error}"))
    })?;
    if out.len() > limit { Err(too_large(limit)) } else { Ok(out) }
}

fn byte_position(bytes: &[u8], line: usize, column: usize) -> usize {
    let before: usize =
        bytes.split_inclusive(|byte| *byte == b'\n').take(line.saturating_sub(1)).map(<[u8]>::len).sum();
    (before + column.saturating_sub(1)).min(bytes.len())
}

/// The query of a request in the shape of `T`, whose fields are strings and whole numbers.
#[derive(Debug, Clone)]
pub struct Query<T>(pub T);

impl<T: DeserializeOwned> FromRequest for Query<T> {
    type Error = ApiError;
    type Future = std::future::Ready<Result<Self, ApiError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        std::future::ready(query(request.query_string()).map(Self))
    }
}

/// Parameters that are whole numbers.
const NUMBERS: &[&str] = &["limit", "wait_s", "schema_version", "limit_mm", "time_limit_s"];

fn query<T: DeserializeOwned>(text: &str) -> Result<T, ApiError> {
    let wrong = |name: &str, words: &str| ApiError::field(&format!("?{name}"), "invalid", words);
    let pairs = web::Query::<Vec<(String, String)>>::from_query(text)
        .map_err(|_| wrong("", "the query cannot be read"))?
        .into_inner();
    let mut object = Object::new();
    for (name, value) in pairs {
        // No text of ours holds it, and the database takes none that does.
        if name.contains('\0') || value.contains('\0') {
            return Err(wrong(&name.replace('\0', "\u{fffd}"), "holds the control character U+0000"));
        }
        let value = if NUMBERS.contains(&name.as_str()) {
            value.parse::<i64>().map(Value::from).map_err(|_| wrong(&name, "must be a whole number"))?
        } else {
            Value::from(value)
        };
        if object.insert(name.clone(), value).is_some() {
            return Err(wrong(&name, "stands there twice"));
        }
    }
    shape::read(&object).map_err(|errors| {
        let errors = errors.into_iter().map(|error| FieldError {
            pointer: format!("?{}", error.pointer.trim_start_matches('/')),
            ..error
        });
        Problem::invalid(errors.collect()).into()
    })
}

/// `If-Match`: the version that the sender has read.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum IfMatch {
    /// Not sent.
    Missing,
    /// `*`.
    Any,
    /// A tag of ours: the epoch and the version.
    Version {
        /// The epoch.
        epoch: Uuid,
        /// The version.
        version: i64,
    },
    /// Something else, which matches nothing.
    Foreign,
}

impl FromRequest for IfMatch {
    type Error = ApiError;
    type Future = std::future::Ready<Result<Self, ApiError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let value = request
            .headers()
            .get(header::IF_MATCH)
            .map(|value| value.to_str().unwrap_or("?").trim().to_owned());
        std::future::ready(Ok(match value.as_deref() {
            None => IfMatch::Missing,
            Some("*") => IfMatch::Any,
            Some(tag) => parse_tag(tag)
                .map_or(IfMatch::Foreign, |(epoch, version)| IfMatch::Version { epoch, version }),
        }))
    }
}

/// The entity tag of a record: its epoch, its version, and a hash of what is derived.
#[must_use]
pub fn tag(epoch: Uuid, version: i64, derived: u32) -> String {
    format!("\"{}-{version}-{derived:08x}\"", epoch.simple())
}

fn parse_tag(tag: &str) -> Option<(Uuid, i64)> {
    let mut parts = tag.strip_prefix('"')?.strip_suffix('"')?.split('-');
    let epoch = Uuid::try_parse(parts.next()?).ok()?;
    let version = parts.next()?.parse().ok()?;
    parts.next()?;
    parts.next().is_none().then_some((epoch, version))
}

/// Whether `If-None-Match` names a tag, compared weakly (RFC 9110, section 8.8.3.2).
#[must_use]
pub fn is_known(request: &HttpRequest, tag: &str) -> bool {
    fn opaque(tag: &str) -> &str {
        tag.trim().trim_start_matches("W/")
    }
    let known = request.headers().get(header::IF_NONE_MATCH).and_then(|value| value.to_str().ok());
    known.is_some_and(|known| known.split(',').any(|one| one.trim() == "*" || opaque(one) == opaque(tag)))
}

/// `Idempotency-Key` (draft-ietf-httpapi-idempotency-key-header): what a repetition without an id of its own goes by. The
/// draft's quoted strings and bare words are both common; a key is the header's value as it is spelt, with its quotes.
#[derive(Debug, Clone)]
pub struct IdempotencyKey(pub Option<String>);

impl IdempotencyKey {
    /// The most characters.
    const MAX: usize = 200;
    /// What a value is, for the specification. HTTP cuts off blanks at its end (RFC 9110, section 5.5).
    pub const PATTERN: &str = r"^[!-~]([ -~]{0,198}[!-~])?[ \t]*$";

    fn read(value: &[u8]) -> Option<String> {
        let text = std::str::from_utf8(value).ok()?.trim_matches([' ', '\t']);
        let fits =
            (1..=Self::MAX).contains(&text.len()) && text.bytes().all(|byte| (b' '..=b'~').contains(&byte));
        fits.then(|| text.to_owned())
    }
}

impl FromRequest for IdempotencyKey {
    type Error = ApiError;
    type Future = std::future::Ready<Result<Self, ApiError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let wrong = |code, words: &str| Err(ApiError::field("Idempotency-Key:", code, words));
        let mut values = request.headers().get_all("idempotency-key");
        std::future::ready(match (values.next(), values.next()) {
            (None, _) => Ok(Self(None)),
            (Some(_), Some(_)) => wrong("twice", "stands there more than once; which one counts?"),
            (Some(value), None) => match Self::read(value.as_bytes()) {
                Some(key) => Ok(Self(Some(key))),
                None => wrong("invalid", "must be 1 to 200 printable ASCII characters"),
            },
        })
    }
}

/// An id in the path. What is no id of ours names nothing.
///
/// # Errors
/// `not-found`.
pub fn path_id(text: &str) -> Result<Uuid, ApiError> {
    domain::ids::parse_v7(text).map_err(|_| ApiError::not_found())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parse_tag_own_tags_round_trip_and_others_do_not() {
        let epoch = Uuid::now_v7();
        assert_eq!(parse_tag(&tag(epoch, 42, 7)), Some((epoch, 42)));
        for foreign in ["", "\"\"", "\"x-1-2\"", "W/\"a\"", "abc", "\"0-1-2-3\""] {
            assert_eq!(parse_tag(foreign), None, "{foreign}");
        }
    }

    #[test]
    fn idempotency_key_is_the_value_without_blank_ends() {
        let long = "k".repeat(200);
        for (value, key) in [
            ("a", Some("a")),
            ("\"first of May\"", Some("\"first of May\"")),
            ("\"", Some("\"")),
            ("\"\"", Some("\"\"")),
            ("a b \t ", Some("a b")),
            (&long, Some(&*long)),
            (&format!("{long}k"), None),
            ("", None),
            (" ", None),
            ("a\tb", None),
            ("a\u{7f}", None),
            ("\u{e9}t\u{e9}", None),
        ] {
            assert_eq!(IdempotencyKey::read(value.as_bytes()).as_deref(), key, "{value:?}");
        }
        assert_eq!(IdempotencyKey::read(b"\xff"), None);
    }

    #[test]
    fn gunzip_bomb_stops_at_the_limit() {
        use std::io::Write as _;
        let mut encoder = flate2::write::GzEncoder::new(Vec::new(), flate2::Compression::best());
        let zeros = vec![0u8; 1 << 20];
        for _ in 0..64 {
            encoder.write_all(&zeros).unwrap();
        }
        let bomb = encoder.finish().unwrap();
        assert!(bomb.len() < 100_000);
        assert_eq!(gunzip(&bomb, 1000).unwrap_err().problem().status, 413);
    }

    #[test]
    fn byte_position_points_at_the_fault() {
        let text = b"{\n  \"a\": tru\n}";
        let error = serde_json::from_slice::<Value>(text).unwrap_err();
        let at = byte_position(text, error.line(), error.column());
        assert!((9..=13).contains(&at), "{at}");
    }
}
