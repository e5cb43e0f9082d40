//! Problems (RFC 9457): one closed table of codes, shared by the service that answers them and the client that
//! explains them.

use serde::{Deserialize, Serialize};

/// One field that is wrong, and why.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct FieldError {
    /// JSON Pointer (RFC 6901) into the request body; the empty string is the whole body; a query parameter is named
    /// as `?name`, a header as `Name:`.
    #[cfg_attr(feature = "openapi", schema(example = "/reading_g"))]
    pub pointer: String,
    /// What is wrong, for programs.
    #[cfg_attr(feature = "openapi", schema(example = "out-of-range"))]
    pub code: String,
    /// What is wrong, for people.
    #[cfg_attr(feature = "openapi", schema(example = "5200 g is over this scale's capacity of 5000 g"))]
    pub detail: String,
}

impl FieldError {
    /// At `pointer`, with a code and words.
    pub fn new(pointer: impl Into<String>, code: &str, detail: impl Into<String>) -> Self {
        Self { pointer: pointer.into(), code: code.to_owned(), detail: detail.into() }
    }
}

macro_rules! codes {
    ($($(#[$doc:meta])* $variant:ident = $slug:literal, $status:literal, $title:literal;)*) => {
        /// Every problem that the service can answer.
        #[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
        pub enum ErrorCode {
            $($(#[$doc])* #[doc = $title] $variant,)*
        }

        impl ErrorCode {
            /// All codes.
            pub const ALL: &'static [ErrorCode] = &[$(ErrorCode::$variant,)*];

            /// (slug, HTTP status, title): the one table.
            #[must_use]
            pub fn parts(self) -> (&'static str, u16, &'static str) {
                match self {
                    $(ErrorCode::$variant => ($slug, $status, $title),)*
                }
            }
        }
    };
}

codes! {
    ValidationFailed = "validation-failed", 422, "A field is not valid.";
    MalformedJson = "malformed-json", 400, "The body is not valid JSON.";
    BadRequest = "bad-request", 400, "The request is not valid HTTP for this service.";
    NotAuthenticated = "not-authenticated", 401, "Log in first.";
    TokenExpired = "token-expired", 401, "The access token has run out.";
    Forbidden = "forbidden", 403, "Your role does not allow this.";
    NotFound = "not-found", 404, "There is nothing here, or it is not shown to you.";
    MethodNotAllowed = "method-not-allowed", 405, "This address does not take that method.";
    NotAcceptable = "not-acceptable", 406, "No representation fits the Accept header.";
    Conflict = "conflict", 409, "The request contradicts what is stored.";
    OpIdReused = "op-id-reused", 409, "This op id was used before with other content.";
    IdDeleted = "id-deleted", 409, "The record is deleted.";
    ConflictPending = "conflict-pending", 409, "Someone else changed the same thing in the meantime.";
    GroupMemberRejected = "group-member-rejected", 409, "Another change of the same group was refused.";
    EpochChanged = "epoch-changed", 409, "The server was restored or copied.";
    ReplicaForked = "replica-forked", 409, "This replica's numbers were used by another copy of it.";
    OpGap = "op-gap", 409, "Earlier changes of this replica are missing.";
    SchemaUnsupported = "schema-unsupported", 409, "This version of the client is not supported.";
    InUse = "in-use", 409, "Other records still refer to this one.";
    LoadoutSealed = "loadout-sealed", 409, "The loadout is sealed.";
    PersonalExists = "personal-exists", 409, "There is a personal kitroom already.";
    LastOwner = "last-owner", 409, "A kitroom keeps at least one owner.";
    CursorExpired = "cursor-expired", 410, "The cursor is too old; start again without one.";
    CursorInvalid = "cursor-invalid", 400, "The cursor is not one of this kitroom's.";
    PreconditionFailed = "precondition-failed", 412, "The record has changed since you read it.";
    PayloadTooLarge = "payload-too-large", 413, "The body is too large.";
    UnsupportedMediaType = "unsupported-media-type", 415, "The content type or encoding is not supported.";
    PreconditionRequired = "precondition-required", 428, "If-Match is required.";
    ReauthenticationRequired = "reauthentication-required", 403, "Log in again with the password first.";
    InvitationInvalid = "invitation-invalid", 422, "The invitation is unknown, used, revoked or expired.";
    RateLimited = "rate-limited", 429, "Too many requests; wait and try again.";
    QuotaExceeded = "quota-exceeded", 422, "The kitroom is full.";
    Internal = "internal", 500, "Something went wrong on the server; nothing was stored.";
    Unavailable = "unavailable", 503, "The service cannot answer just now; try again.";
}

/// The URN namespace of problem types.
pub const PROBLEM_TYPE_PREFIX: &str = "urn:tarebook:problem:";

impl ErrorCode {
    /// The slug, as in `validation-failed`.
    #[must_use]
    pub fn slug(self) -> &'static str {
        self.parts().0
    }

    /// The HTTP status.
    #[must_use]
    pub fn status(self) -> u16 {
        self.parts().1
    }

    /// The short title.
    #[must_use]
    pub fn title(self) -> &'static str {
        self.parts().2
    }

    /// The code with this slug.
    #[must_use]
    pub fn from_slug(slug: &str) -> Option<Self> {
        Self::ALL.iter().copied().find(|code| code.slug() == slug)
    }
}

/// A problem document, `application/problem+json`.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[cfg_attr(feature = "openapi", derive(utoipa::ToSchema))]
pub struct Problem {
    /// A stable URN; its last part is the code.
    #[serde(rename = "type")]
    #[cfg_attr(feature = "openapi", schema(example = "urn:tarebook:problem:validation-failed"))]
    pub type_: String,
    /// The code in words.
    pub title: String,
    /// The HTTP status.
    pub status: u16,
    /// What happened here and what to do next.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub detail: Option<String>,
    /// The fields that are wrong.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub errors: Vec<FieldError>,
    /// The request's id, to quote when asking for help.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub request_id: Option<String>,
    /// More members, by code (such as `last_op_no`).
    #[serde(flatten)]
    #[cfg_attr(feature = "openapi", schema(additional_properties, value_type = Object))]
    pub more: serde_json::Map<String, serde_json::Value>,
}

impl Problem {
    /// A problem with its code and words.
    pub fn new(code: ErrorCode, detail: impl Into<String>) -> Self {
        let (slug, status, title) = code.parts();
        Self {
            type_: format!("{PROBLEM_TYPE_PREFIX}{slug}"),
            title: title.to_owned(),
            status,
            detail: Some(detail.into()),
            errors: Vec::new(),
            request_id: None,
            more: serde_json::Map::new(),
        }
    }

    /// `validation-failed` with the fields that are wrong.
    #[must_use]
    pub fn invalid(errors: Vec<FieldError>) -> Self {
        let detail = match errors.as_slice() {
            [one] => format!("{}: {}", one.pointer, one.detail),
            many => format!("{} fields are not valid", many.len()),
        };
        Self { errors, ..Self::new(ErrorCode::ValidationFailed, detail) }
    }

    /// The same with one more member.
    #[must_use]
    pub fn with(mut self, member: &str, value: impl Into<serde_json::Value>) -> Self {
        self.more.insert(member.to_owned(), value.into());
        self
    }

    /// The code, when this version knows it.
    #[must_use]
    pub fn code(&self) -> Option<ErrorCode> {
        self.type_.strip_prefix(PROBLEM_TYPE_PREFIX).and_then(ErrorCode::from_slug)
    }
}
