//! How often somebody may guess: per account and per address, refilled steadily, never a lock-out for good.

use std::net::IpAddr;
use std::num::NonZeroU32;
use std::time::Duration;

use actix_web::HttpRequest;
use actix_web::http::header::{HeaderName, HeaderValue, RETRY_AFTER};
use domain::wire::problem::ErrorCode;
use governor::clock::{Clock as _, DefaultClock};
use governor::{DefaultKeyedRateLimiter, Quota, RateLimiter};

use super::error::ApiError;

/// How many attempts a minute, and at once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct LoginLimits {
    /// Of one account.
    pub per_account: NonZeroU32,
    /// From one address.
    pub per_address: NonZeroU32,
    /// Whether the address is that which the proxy before the service adds to `X-Forwarded-For`.
    pub behind_proxy: bool,
}

impl LoginLimits {
    /// What the service uses.
    ///
    /// # Panics
    /// Never: the numbers are above zero.
    #[must_use]
    pub fn production(behind_proxy: bool) -> Self {
        let [per_account, per_address] = [10, 60].map(|n| NonZeroU32::new(n).unwrap_or(NonZeroU32::MIN));
        Self { per_account, per_address, behind_proxy }
    }
}

/// How much one kitroom, one account and one connection may take.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Bounds {
    /// Records of one kitroom, deleted ones included, since each keeps its row.
    pub records_per_kitroom: i64,
    /// Kitrooms that one account owns.
    pub kitrooms_per_account: i64,
    /// Questions of one account that wait for changes at once.
    pub waits_per_account: usize,
    /// How long the head of a request may take to arrive.
    pub head: Duration,
    /// How long its body may take.
    pub body: Duration,
}

impl Bounds {
    /// What the service uses.
    pub const PRODUCTION: Self = Self {
        records_per_kitroom: 2_000_000,
        kitrooms_per_account: 100,
        waits_per_account: 64,
        head: Duration::from_secs(10),
        body: Duration::from_secs(30),
    };
}

/// The most keys that are held before those that are full again are let go.
const KEYS: usize = 20_000;

/// The limiters.
#[derive(Debug)]
pub struct Limits {
    accounts: DefaultKeyedRateLimiter<String>,
    addresses: DefaultKeyedRateLimiter<IpAddr>,
    settings: LoginLimits,
}

impl Limits {
    /// With their numbers.
    #[must_use]
    pub fn new(settings: LoginLimits) -> Self {
        Self {
            accounts: RateLimiter::keyed(Quota::per_minute(settings.per_account)),
            addresses: RateLimiter::keyed(Quota::per_minute(settings.per_address)),
            settings,
        }
    }

    /// Counts an attempt to log in, whether the account exists or not.
    ///
    /// # Errors
    /// `rate-limited` with `Retry-After`.
    pub fn login(&self, request: &HttpRequest, email: &str) -> Result<(), ApiError> {
        self.address(request)?;
        tidy(&self.accounts);
        let key = email.trim().to_lowercase();
        check(&self.accounts, &key, "login-account", self.settings.per_account)
    }

    /// Counts an attempt from an address.
    ///
    /// # Errors
    /// `rate-limited` with `Retry-After`.
    pub fn address(&self, request: &HttpRequest) -> Result<(), ApiError> {
        let peer = request.peer_addr().map(|peer| peer.ip());
        let reported = || request.headers().get_all("x-forwarded-for").last().and_then(last_address);
        let address = if self.settings.behind_proxy { reported().or(peer) } else { peer };
        tidy(&self.addresses);
        match address {
            Some(address) => check(&self.addresses, &address, "login-address", self.settings.per_address),
            None => Ok(()),
        }
    }
}

/// The address that the proxy itself has seen: it adds that at the end; what stands before it was sent by whoever asks.
fn last_address(value: &HeaderValue) -> Option<IpAddr> {
    value.to_str().ok()?.rsplit(',').next()?.trim().parse().ok()
}

fn tidy<K: std::hash::Hash + Eq + Clone>(limiter: &DefaultKeyedRateLimiter<K>) {
    if limiter.len() > KEYS {
        limiter.retain_recent();
    }
}

fn check<K: std::hash::Hash + Eq + Clone>(
    limiter: &DefaultKeyedRateLimiter<K>,
    key: &K,
    policy: &str,
    quota: NonZeroU32,
) -> Result<(), ApiError> {
    let Err(until) = limiter.check_key(key) else { return Ok(()) };
    let wait = until.wait_time_from(DefaultClock::default().now()).as_secs() + 1;
    let words = format!("too many attempts; try again in {wait} s");
    // draft-ietf-httpapi-ratelimit-headers: the policy, and what is left of it.
    Err(ApiError::new(ErrorCode::RateLimited, words)
        .with_header(RETRY_AFTER, &wait.to_string())
        .with_header(HeaderName::from_static("ratelimit-policy"), &format!("\"{policy}\";q={quota};w=60"))
        .with_header(HeaderName::from_static("ratelimit"), &format!("\"{policy}\";r=0;t={wait}")))
}
