//! The service over HTTP.

use std::time::Duration;

use domain::wire::account::{AccountView, CreateDeviceToken, CreateSession, DeviceTokenView, SessionView};
use domain::wire::kitroom::{CreateKitroom, KitroomList, KitroomView};
use domain::wire::member::{
    CreateInvitation, CreateMembership, InvitationView, MemberList, MemberView, MembershipView, UpdateMember,
};
use domain::wire::problem::{ErrorCode, Problem};
use domain::wire::sync::{Digest, NDJSON, PushRequest, PushResponse, SCHEMA_VERSION, SyncOverview};
use reqwest::blocking::{Client, RequestBuilder, Response};
use reqwest::{Method, header};
use serde::Serialize;
use serde::de::DeserializeOwned;
use uuid::Uuid;

use super::address::Address;
use super::body::{self, decoded, read_whole};
use super::feed::Feed;
use super::{Answer, Failure, Page, Remote, Secret};
use crate::error::{Error, Result};

/// The most bytes of an answer, decoded: a full page of the largest records is far below it.
const MAX_ANSWER: u64 = 160 * 1024 * 1024;

/// The HTTP client of one service.
pub struct HttpClient {
    http: Client,
    address: Address,
    token: Option<Secret>,
    /// A stream of changes that is not read to its end.
    feed: Option<Feed>,
}

impl HttpClient {
    /// A client without a token yet.
    ///
    /// # Errors
    /// When no TLS can be set up.
    pub fn new(address: Address) -> Result<Self> {
        // Fails only when it is installed already, which is as good.
        let _ = rustls::crypto::ring::default_provider().install_default();
        let mut builder = Client::builder()
            .user_agent(concat!("tare/", env!("CARGO_PKG_VERSION")))
            .connect_timeout(Duration::from_secs(10))
            .timeout(Duration::from_secs(75))
            // A redirect could carry the token elsewhere.
            .redirect(reqwest::redirect::Policy::none());
        if address.is_plain() {
            // No certificates are looked for where none are used: a bare machine may have none.
            builder = builder.tls_certs_only([]);
        }
        let http = builder.build().map_err(|error| {
            Error::internal("TLS could not be set up")
                .because(chain(&error))
                .hint("install the system's certificates (Debian: ca-certificates)")
        })?;
        Ok(Self { http, address, token: None, feed: None })
    }

    /// The same with a token for every call.
    #[must_use]
    pub fn with_token(mut self, token: Secret) -> Self {
        self.token = Some(token);
        self
    }

    fn call<T: DeserializeOwned>(
        &self,
        method: Method,
        path: &str,
        body: Option<&impl Serialize>,
    ) -> Answer<T> {
        self.call_with(method, path, &[], body)
    }

    fn call_with<T: DeserializeOwned>(
        &self,
        method: Method,
        path: &str,
        query: &[(&str, String)],
        body: Option<&impl Serialize>,
    ) -> Answer<T> {
        let is_patch = method == Method::PATCH;
        let mut request = self.request(method, path, query).header(header::ACCEPT, "application/json");
        if is_patch {
            request = request.header(header::CONTENT_TYPE, "application/merge-patch+json");
        }
        if let Some(body) = body {
            request = request.json(body);
        }
        let response = request.send().map_err(|error| Failure::Lost(chain(&error.without_url())))?;
        read(response)
    }

    fn request(&self, method: Method, path: &str, query: &[(&str, String)]) -> RequestBuilder {
        let mut url = self.address.at(path);
        if !query.is_empty() {
            url.query_pairs_mut().extend_pairs(query);
        }
        let request = self.http.request(method, url).header(header::ACCEPT_ENCODING, body::ACCEPTED);
        match &self.token {
            Some(token) => request.bearer_auth(token.expose()),
            None => request,
        }
    }

    /// Waits until a kitroom has something after a cursor, or so many seconds. Answers whether it has.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn wait_for_change(&self, kitroom: Uuid, cursor: &str, wait_s: i64) -> Answer<bool> {
        let query =
            [("cursor", cursor.to_owned()), ("wait_s", wait_s.to_string()), ("limit", "1".to_owned())];
        let path = format!("/v1/kitrooms/{kitroom}/changes");
        let page: Page = self.call_with(Method::GET, &path, &query, None::<&()>)?;
        Ok(!page.rows.is_empty())
    }

    /// Logs in. The pair of tokens is used once, to make a device token.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn log_in(&self, login: &CreateSession) -> Answer<SessionView> {
        self.call(Method::POST, "/v1/sessions", Some(login))
    }

    /// Ends the session that the present token belongs to.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn log_out(&self) -> Answer<()> {
        self.call::<Option<serde_json::Value>>(Method::DELETE, "/v1/sessions/current", None::<&()>)
            .map(|_| ())
    }

    /// Makes a device token.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn make_device_token(&self, device: &CreateDeviceToken) -> Answer<DeviceTokenView> {
        self.call(Method::POST, "/v1/device-tokens", Some(device))
    }

    /// The digest of a kitroom, to compare a replica with.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn digest(&self, kitroom: Uuid) -> Answer<Digest> {
        self.call(Method::GET, &format!("/v1/kitrooms/{kitroom}/digest"), None::<&()>)
    }

    /// Invites somebody to a kitroom. Not repeated by itself: each would be another invitation.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn invite(&self, kitroom: Uuid, invitation: &CreateInvitation) -> Answer<InvitationView> {
        self.call(Method::POST, &format!("/v1/kitrooms/{kitroom}/invitations"), Some(invitation))
    }

    /// Takes up an invitation.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn join(&self, membership: &CreateMembership) -> Answer<MembershipView> {
        self.call(Method::POST, "/v1/memberships", Some(membership))
    }

    /// The members of a kitroom.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn members(&self, kitroom: Uuid) -> Answer<Vec<MemberView>> {
        let (mut all, mut cursor): (Vec<MemberView>, Option<String>) = (Vec::new(), None);
        loop {
            let query: Vec<(&str, String)> = cursor.map(|cursor| ("cursor", cursor)).into_iter().collect();
            let path = format!("/v1/kitrooms/{kitroom}/members");
            let page: MemberList = self.call_with(Method::GET, &path, &query, None::<&()>)?;
            all.extend(page.items);
            cursor = page.next_cursor;
            if cursor.is_none() {
                return Ok(all);
            }
        }
    }

    /// Gives a member another role.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn set_role(&self, kitroom: Uuid, account: Uuid, update: &UpdateMember) -> Answer<MemberView> {
        self.call(Method::PATCH, &format!("/v1/kitrooms/{kitroom}/members/{account}"), Some(update))
    }

    /// Removes a member, or leaves.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn remove_member(&self, kitroom: Uuid, account: Uuid) -> Answer<()> {
        let path = format!("/v1/kitrooms/{kitroom}/members/{account}");
        self.call::<Option<serde_json::Value>>(Method::DELETE, &path, None::<&()>).map(|_| ())
    }

    /// Ends a device token.
    ///
    /// # Errors
    /// [`Failure`].
    pub fn end_device_token(&self, id: Uuid) -> Answer<()> {
        self.call::<Option<serde_json::Value>>(
            Method::DELETE,
            &format!("/v1/device-tokens/{id}"),
            None::<&()>,
        )
        .map(|_| ())
    }
}

fn read<T: DeserializeOwned>(response: Response) -> Answer<T> {
    let status = response.status().as_u16();
    let after = response.headers().get(header::RETRY_AFTER).and_then(|value| value.to_str().ok());
    let after = after.and_then(|text| text.trim().parse().ok()).map(Duration::from_secs);
    if matches!(status, 408 | 425 | 429) || status >= 500 {
        return Err(Failure::Busy { status, after });
    }
    let is_success = response.status().is_success();
    let bytes = read_whole(decoded(response)?, MAX_ANSWER)?;
    if is_success {
        let text: &[u8] = if bytes.is_empty() { b"null" } else { &bytes };
        return serde_json::from_slice(text)
            .map_err(|error| Failure::Lost(format!("the answer cannot be read: {error}")));
    }
    let problem = serde_json::from_slice::<Problem>(&bytes).unwrap_or_else(|_| {
        let words =
            format!("the answer was {status}, and it is not one of Tarebook's; is the address right?");
        Problem { status, ..Problem::new(ErrorCode::BadRequest, words) }
    });
    Err(Failure::Refused(problem))
}

/// An error with its causes.
pub(super) fn chain(error: &dyn std::error::Error) -> String {
    let mut words = error.to_string();
    let mut source = error.source();
    while let Some(cause) = source {
        let text = cause.to_string();
        if !words.contains(&text) {
            words.push_str(": ");
            words.push_str(&text);
        }
        source = cause.source();
    }
    words
}

impl Remote for HttpClient {
    fn me(&mut self) -> Answer<AccountView> {
        self.call(Method::GET, "/v1/me", None::<&()>)
    }

    fn overview(&mut self) -> Answer<SyncOverview> {
        self.call(Method::GET, "/v1/sync", None::<&()>)
    }

    fn kitrooms(&mut self) -> Answer<Vec<KitroomView>> {
        let mut all = Vec::new();
        let mut cursor: Option<String> = None;
        loop {
            let query: Vec<(&str, String)> = cursor.map(|cursor| ("cursor", cursor)).into_iter().collect();
            let page: KitroomList = self.call_with(Method::GET, "/v1/kitrooms", &query, None::<&()>)?;
            all.extend(page.items);
            cursor = page.next_cursor;
            if cursor.is_none() {
                return Ok(all);
            }
        }
    }

    fn create_kitroom(&mut self, kitroom: &CreateKitroom) -> Answer<KitroomView> {
        self.call(Method::POST, "/v1/kitrooms", Some(kitroom))
    }

    fn people(&mut self, kitroom: Uuid) -> Answer<Vec<(Uuid, String)>> {
        let members = self.members(kitroom)?;
        Ok(members.into_iter().map(|member| (member.account_id.uuid(), member.name)).collect())
    }

    fn push(&mut self, kitroom: Uuid, request: &PushRequest) -> Answer<PushResponse> {
        self.call(Method::POST, &format!("/v1/kitrooms/{kitroom}/ops"), Some(request))
    }

    fn changes(&mut self, kitroom: Uuid, cursor: Option<&str>, ack: Option<&str>) -> Answer<Page> {
        let open = self.feed.take().filter(|feed| feed.goes_on_from(kitroom, cursor));
        let mut feed = match open {
            Some(feed) => feed,
            None => {
                let mut query = vec![("schema_version", SCHEMA_VERSION.to_string())];
                query.extend(cursor.map(|cursor| ("cursor", cursor.to_owned())));
                query.extend(ack.map(|ack| ("ack", ack.to_owned())));
                let path = format!("/v1/kitrooms/{kitroom}/changes");
                let accept = format!("{NDJSON}, application/json;q=0.5");
                let request = self.request(Method::GET, &path, &query).header(header::ACCEPT, accept);
                let response = request.send().map_err(|error| Failure::Lost(chain(&error.without_url())))?;
                let kind = response.headers().get(header::CONTENT_TYPE).and_then(|kind| kind.to_str().ok());
                let is_lines = kind.is_some_and(|kind| kind.starts_with(NDJSON));
                if !(is_lines && response.status().is_success()) {
                    return read(response);
                }
                Feed::open(kitroom, decoded(response)?)?
            }
        };
        let page = feed.page()?;
        self.feed = feed.is_open().then_some(feed);
        Ok(page)
    }
}
