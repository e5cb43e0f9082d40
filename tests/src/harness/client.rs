//! Asking the service. What has to hold for every answer is checked for every answer of every test.

use std::sync::OnceLock;

use domain::wire::problem::{ErrorCode, PROBLEM_TYPE_PREFIX};
pub use reqwest::Method;
use reqwest::header::HeaderMap;
use serde::de::DeserializeOwned;
use serde_json::Value;

use super::redact;

/// Somebody without credentials.
#[derive(Debug, Clone)]
pub struct Http {
    base: String,
    client: reqwest::Client,
    bearer: Option<String>,
}

impl Http {
    /// At an address, without credentials.
    ///
    /// # Panics
    /// When no client can be made.
    #[must_use]
    pub fn new(base: &str) -> Self {
        Self { base: base.to_owned(), client: plain_client(), bearer: None }
    }

    /// The same with a token.
    #[must_use]
    pub fn with_token(&self, token: &str) -> Self {
        Self { bearer: Some(token.to_owned()), ..self.clone() }
    }

    /// The address of the service.
    #[must_use]
    pub fn base(&self) -> &str {
        &self.base
    }

    /// The token, without which this is nobody.
    #[must_use]
    pub fn token(&self) -> Option<&str> {
        self.bearer.as_deref()
    }

    /// A call to be filled in.
    #[must_use]
    pub fn call(&self, method: Method, path: &str) -> Call {
        let mut request = self.client.request(method.clone(), format!("{}{path}", self.base));
        if let Some(token) = &self.bearer {
            request = request.bearer_auth(token);
        }
        let path = path.split('?').next().unwrap_or_default().to_owned();
        Call { request, method, path }
    }

    /// GET.
    pub async fn get(&self, path: &str) -> Reply {
        self.call(Method::GET, path).send().await
    }

    /// POST of a JSON body.
    pub async fn post(&self, path: &str, body: &Value) -> Reply {
        self.call(Method::POST, path).json(body).send().await
    }

    /// PATCH of a merge patch for the version that a tag names.
    #[must_use]
    pub fn patching(&self, path: &str, tag: &str, patch: &Value) -> Call {
        self.call(Method::PATCH, path).header("If-Match", tag).merge_patch(patch)
    }

    /// DELETE of the version that a tag names.
    #[must_use]
    pub fn deleting(&self, path: &str, tag: &str) -> Call {
        self.call(Method::DELETE, path).header("If-Match", tag)
    }

    /// POST of a JSON body, not yet sent.
    #[must_use]
    pub fn posting(&self, path: &str, body: &Value) -> Call {
        self.call(Method::POST, path).json(body)
    }

    /// GET, not yet sent.
    #[must_use]
    pub fn getting(&self, path: &str) -> Call {
        self.call(Method::GET, path)
    }
}

/// An HTTP client without TLS, which only needs a provider of it because `tare` is built with the same library.
///
/// # Panics
/// When none can be made.
#[must_use]
pub fn plain_client() -> reqwest::Client {
    // Fails only when it is installed already, which is as good.
    let _ = rustls::crypto::ring::default_provider().install_default();
    let client = reqwest::Client::builder().redirect(reqwest::redirect::Policy::none()).tls_certs_only([]);
    client.build().expect("a client")
}

/// A call that is not sent yet.
#[derive(Debug)]
pub struct Call {
    request: reqwest::RequestBuilder,
    method: Method,
    path: String,
}

impl Call {
    /// With a header.
    #[must_use]
    pub fn header(mut self, name: &str, value: &str) -> Self {
        self.request = self.request.header(name, value);
        self
    }

    /// With a body as it stands.
    #[must_use]
    pub fn body(mut self, body: impl Into<reqwest::Body>) -> Self {
        self.request = self.request.body(body);
        self
    }

    /// With a JSON body.
    #[must_use]
    pub fn json(self, body: &Value) -> Self {
        self.header("Content-Type", "application/json").body(body.to_string())
    }

    /// With a merge patch (RFC 7396).
    #[must_use]
    pub fn merge_patch(self, body: &Value) -> Self {
        self.header("Content-Type", "application/merge-patch+json").body(body.to_string())
    }

    /// Sends it.
    ///
    /// # Panics
    /// When there is no answer, or it lacks what every answer has.
    pub async fn send(self) -> Reply {
        let what = format!("{} {}", self.method, self.path);
        let response = self.request.send().await.unwrap_or_else(|error| panic!("{what}: {error:?}"));
        let (status, headers) = (response.status().as_u16(), response.headers().clone());
        let body = response.bytes().await.unwrap_or_else(|error| panic!("{what}: {error:?}")).to_vec();
        let reply = Reply { what, status, headers, body };
        reply.check(&self.method, &self.path);
        reply
    }
}

/// An answer.
#[derive(Debug, Clone)]
pub struct Reply {
    what: String,
    /// The status.
    pub status: u16,
    /// The headers.
    pub headers: HeaderMap,
    /// The body.
    pub body: Vec<u8>,
}

impl Reply {
    /// A header; empty when it is not there.
    #[must_use]
    pub fn header(&self, name: &str) -> &str {
        self.headers.get(name).and_then(|value| value.to_str().ok()).unwrap_or_default()
    }

    /// The entity tag.
    #[must_use]
    pub fn etag(&self) -> String {
        assert!(
            self.header("etag").starts_with('"'),
            "{}: no strong ETag: {:?}",
            self.what,
            self.header("etag")
        );
        self.header("etag").to_owned()
    }

    /// The body as text.
    #[must_use]
    pub fn text(&self) -> String {
        String::from_utf8_lossy(&self.body).into_owned()
    }

    /// The JSON body of an answer with this status.
    ///
    /// # Panics
    /// When it has another.
    #[must_use]
    #[track_caller]
    pub fn expect(&self, status: u16) -> Value {
        assert_eq!(self.status, status, "{}: {}", self.what, self.text());
        if self.body.is_empty() {
            return Value::Null;
        }
        serde_json::from_slice(&self.body)
            .unwrap_or_else(|error| panic!("{}: {error}: {}", self.what, self.text()))
    }

    /// The body of an answer with status 200 as a wire type.
    ///
    /// # Panics
    /// When it is none.
    #[must_use]
    #[track_caller]
    pub fn read<T: DeserializeOwned>(&self) -> T {
        serde_json::from_value(self.expect(200)).unwrap_or_else(|error| panic!("{}: {error}", self.what))
    }

    /// The problem of an answer that refuses with this code.
    ///
    /// # Panics
    /// When it does not.
    #[must_use]
    #[track_caller]
    pub fn problem(&self, code: &str) -> Value {
        let known = ErrorCode::from_slug(code).unwrap_or_else(|| panic!("{code} is no problem of ours"));
        let body = self.expect(known.status());
        assert_eq!(body["type"], format!("{PROBLEM_TYPE_PREFIX}{code}"), "{}: {}", self.what, self.text());
        body
    }

    fn check(&self, method: &Method, path: &str) {
        redact::assert_id(self.header("x-request-id"));
        assert_eq!(self.header("cache-control"), "no-store", "{}: may be cached", self.what);
        assert!(self.header("content-security-policy").starts_with("default-src 'none'; "), "{}", self.what);
        assert_eq!(self.header("x-content-type-options"), "nosniff", "{}", self.what);
        assert_eq!(self.header("referrer-policy"), "no-referrer", "{}", self.what);
        assert_eq!(self.header("x-frame-options"), "DENY", "{}", self.what);
        if self.status >= 400 {
            self.check_problem();
        }
        // Whatever an address answers for a method that it takes is in the document.
        if let Some(statuses) = documented(method, path) {
            assert!(statuses.contains(&self.status), "{}: {} is not in the document", self.what, self.status);
        }
    }

    fn check_problem(&self) {
        assert_eq!(self.header("content-type"), "application/problem+json", "{}: {}", self.what, self.text());
        let body: Value = serde_json::from_slice(&self.body).unwrap_or_else(|_| panic!("{}", self.text()));
        assert_eq!(body["status"], self.status, "{}", self.what);
        assert_eq!(body["request_id"], self.header("x-request-id"), "{}", self.what);
        let slug = body["type"].as_str().and_then(|urn| urn.strip_prefix(PROBLEM_TYPE_PREFIX));
        let code =
            slug.and_then(ErrorCode::from_slug).unwrap_or_else(|| panic!("unregistered: {}", self.text()));
        assert_eq!(code.status(), self.status, "{}: {}", self.what, self.text());
        assert_eq!(body["title"], code.title(), "{}", self.what);
        assert!(body["detail"].as_str().is_some_and(|words| !words.is_empty()), "{}: no words", self.what);
        if self.status == 401 {
            assert_eq!(self.header("www-authenticate"), "Bearer", "{}", self.what);
        }
        let words = self.text().to_lowercase();
        for internal in ["postgres", "diesel", "select ", "insert ", "panicked", ".rs:", "/src/"] {
            assert!(!words.contains(internal), "{}: shows what is inside: {}", self.what, self.text());
        }
    }
}

/// The API document of the code.
///
/// # Panics
/// When it is no JSON.
pub fn document() -> &'static Value {
    static DOCUMENT: OnceLock<Value> = OnceLock::new();
    DOCUMENT.get_or_init(|| {
        let text = api::openapi::to_json(&api::openapi::document());
        serde_json::from_str(&text).expect("the document is JSON")
    })
}

/// The statuses that the document has for what a method does at an address; none when it does nothing there.
fn documented(method: &Method, path: &str) -> Option<Vec<u16>> {
    let paths = document()["paths"].as_object()?;
    let (_, item) = paths.iter().find(|(pattern, _)| fits(pattern, path))?;
    let responses = item.get(method.as_str().to_lowercase())?.get("responses")?.as_object()?;
    Some(responses.keys().filter_map(|status| status.parse().ok()).collect())
}

fn fits(pattern: &str, path: &str) -> bool {
    let (pattern, path): (Vec<_>, Vec<_>) = (pattern.split('/').collect(), path.split('/').collect());
    let part = |(wanted, given): (&&str, &&str)| wanted == given || wanted.starts_with('{');
    pattern.len() == path.len() && pattern.iter().zip(&path).all(part)
}
