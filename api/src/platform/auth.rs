//! Who asks: a short-lived access token of a session, or a device token.

use std::collections::HashMap;
use std::future::{Ready, ready};
use std::path::Path;
use std::pin::Pin;
use std::sync::RwLock;
use std::sync::atomic::{AtomicU64, Ordering};
use std::time::{Duration, Instant};

use actix_web::dev::Payload;
use actix_web::http::header;
use actix_web::{FromRequest, HttpRequest, web};
use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use diesel_async::RunQueryDsl;
use domain::wire::problem::ErrorCode;
use hmac::{Hmac, Mac};
use jsonwebtoken::{Algorithm, DecodingKey, EncodingKey, Header, Validation};
use rand::TryRngCore;
use rand::rngs::OsRng;
use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};
use uuid::Uuid;

use super::clock::Clock;
use super::db::{self, Pool};
use super::error::ApiError;
use super::password::{PasswordCost, Passwords};
use super::token;
use crate::schema::{accounts, device_tokens, sessions};

/// How long an access token lasts, in seconds.
pub const ACCESS_TOKEN_S: i64 = 600;
/// How long a check against the database is remembered. Revoking within this process forgets it at once.
const REMEMBERED: Duration = Duration::from_secs(5);
const REMEMBERED_AT_MOST: usize = 10_000;
const ISSUER: &str = "tarebook";
const AUDIENCE: &str = "tarebook-api";
const TYPE: &str = "at+jwt";
/// A session that is not used for so long is over.
pub const SESSION_IDLE_D: i64 = 90;
/// A session is over after so long in any case.
pub const SESSION_AT_MOST_D: i64 = 365;
/// For how long after a login the account may do what takes a recent one.
const RECENT_MIN: i64 = 15;

/// The claims of an access token. No roles: those are read at each request.
#[derive(Debug, Clone, Serialize, Deserialize)]
struct Claims {
    iss: String,
    aud: String,
    sub: Uuid,
    sid: Uuid,
    jti: Uuid,
    iat: i64,
    nbf: i64,
    exp: i64,
}

/// Signs and checks access tokens: HS256 and nothing else.
pub struct AccessTokens {
    encoding: EncodingKey,
    decoding: DecodingKey,
    kid: String,
    validation: Validation,
}

impl std::fmt::Debug for AccessTokens {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "AccessTokens({})", self.kid)
    }
}

impl AccessTokens {
    /// With a key of 256 bits.
    #[must_use]
    pub fn new(key: &[u8; 32]) -> Self {
        let mut validation = Validation::new(Algorithm::HS256);
        validation.set_issuer(&[ISSUER]);
        validation.set_audience(&[AUDIENCE]);
        validation.set_required_spec_claims(&["exp", "nbf", "iss", "aud", "sub"]);
        validation.validate_nbf = true;
        validation.leeway = 30;
        let digest = Sha256::digest(key);
        Self {
            encoding: EncodingKey::from_secret(key),
            decoding: DecodingKey::from_secret(key),
            kid: digest[..6].iter().map(|byte| format!("{byte:02x}")).collect(),
            validation,
        }
    }

    /// A token for a session.
    ///
    /// # Errors
    /// `internal` when signing fails.
    pub fn issue(&self, account: Uuid, session: Uuid, now: DateTime<Utc>) -> Result<String, ApiError> {
        let iat = now.timestamp();
        let claims = Claims {
            iss: ISSUER.into(),
            aud: AUDIENCE.into(),
            sub: account,
            sid: session,
            jti: Uuid::now_v7(),
            iat,
            nbf: iat,
            exp: iat + ACCESS_TOKEN_S,
        };
        let header =
            Header { typ: Some(TYPE.into()), kid: Some(self.kid.clone()), ..Header::new(Algorithm::HS256) };
        jsonwebtoken::encode(&header, &claims, &self.encoding)
            .map_err(|e| ApiError::internal("signing failed", e))
    }

    fn check(&self, token: &str) -> Result<Claims, ApiError> {
        use jsonwebtoken::errors::ErrorKind;
        let refused =
            || ApiError::new(ErrorCode::NotAuthenticated, "the access token is not one of this service's");
        let header = jsonwebtoken::decode_header(token).map_err(|_| refused())?;
        if header.typ.as_deref() != Some(TYPE) || header.kid.as_deref() != Some(&self.kid) {
            return Err(refused());
        }
        match jsonwebtoken::decode::<Claims>(token, &self.decoding, &self.validation) {
            Ok(data) => Ok(data.claims),
            Err(error) if matches!(error.kind(), ErrorKind::ExpiredSignature) => {
                Err(ApiError::new(ErrorCode::TokenExpired, "the access token has run out; get a new one"))
            }
            Err(_) => Err(refused()),
        }
    }
}

/// Reads the signing key from a file, or makes one.
///
/// # Errors
/// In words, when the file cannot be read or written, is no key, or can be read by others.
pub fn signing_key(path: &Path) -> Result<[u8; 32], String> {
    use std::io::Write as _;
    use std::os::unix::fs::{MetadataExt as _, OpenOptionsExt as _};
    let said = |error: std::io::Error| format!("{}: {error}", path.display());
    if let Ok(metadata) = std::fs::metadata(path) {
        if metadata.mode() & 0o077 != 0 {
            return Err(format!("{} can be read by others; run: chmod 600 {0}", path.display()));
        }
        let bytes = std::fs::read(path).map_err(said)?;
        return bytes.try_into().map_err(|_| format!("{} does not hold 32 bytes", path.display()));
    }
    let mut key = [0u8; 32];
    OsRng.try_fill_bytes(&mut key).map_err(|error| error.to_string())?;
    let mut file =
        std::fs::OpenOptions::new().write(true).create_new(true).mode(0o600).open(path).map_err(said)?;
    file.write_all(&key).and_then(|()| file.sync_all()).map_err(said)?;
    Ok(key)
}

/// What a request was authenticated with.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Credential {
    /// A session.
    Session(Uuid),
    /// A device token.
    Device(Uuid),
}

/// The account that asks.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Account {
    /// Its id.
    pub id: Uuid,
    /// What it showed.
    pub credential: Credential,
    /// When the password was given, for a session.
    logged_in_at: Option<DateTime<Utc>>,
}

impl Account {
    /// The session, when one was shown.
    #[must_use]
    pub fn session(&self) -> Option<Uuid> {
        match self.credential {
            Credential::Session(session) => Some(session),
            Credential::Device(_) => None,
        }
    }
}

/// Whether the account has logged in with its password a moment ago. What can lock others out or give away the whole
/// kitroom takes that; a device token never has it, so that a lost device cannot.
#[derive(Debug, Clone, Copy)]
pub struct RecentLogin(bool);

impl RecentLogin {
    /// Refuses without a recent login.
    ///
    /// # Errors
    /// `reauthentication-required`.
    pub fn require(self) -> Result<(), ApiError> {
        if self.0 {
            return Ok(());
        }
        let words = format!("this takes a login with the password within the last {RECENT_MIN} minutes");
        Err(ApiError::new(ErrorCode::ReauthenticationRequired, words))
    }
}

impl FromRequest for RecentLogin {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, ApiError>>>>;

    fn from_request(request: &HttpRequest, payload: &mut Payload) -> Self::Future {
        let account = Account::from_request(request, payload);
        let clock = state::<web::Data<Clock>>(request);
        Box::pin(async move {
            let (account, now) = (account.await?, clock?.now());
            Ok(Self(account.logged_in_at.is_some_and(|at| now - at <= TimeDelta::minutes(RECENT_MIN))))
        })
    }
}

/// Credentials that were found good a moment ago, by their hash.
#[derive(Debug, Default)]
struct Remembered {
    found: RwLock<HashMap<[u8; 32], (Account, Instant)>>,
    /// Counts the times that all was forgotten: what was read from the database before is not put in after.
    forgotten: AtomicU64,
}

impl Remembered {
    fn get(&self, key: &[u8; 32]) -> Option<Account> {
        let map = self.found.read().ok()?;
        map.get(key).filter(|(_, since)| since.elapsed() < REMEMBERED).map(|(account, _)| *account)
    }

    fn generation(&self) -> u64 {
        AtomicU64::load(&self.forgotten, Ordering::SeqCst)
    }

    fn put(&self, generation: u64, key: [u8; 32], account: Account) {
        if let Ok(mut map) = self.found.write() {
            if generation != self.generation() {
                return;
            }
            if map.len() >= REMEMBERED_AT_MOST {
                map.retain(|_, (_, since)| since.elapsed() < REMEMBERED);
            }
            if map.len() < REMEMBERED_AT_MOST {
                map.insert(key, (account, Instant::now()));
            }
        }
    }

    fn clear(&self) {
        if let Ok(mut map) = self.found.write() {
            AtomicU64::fetch_add(&self.forgotten, 1, Ordering::SeqCst);
            map.clear();
        }
    }
}

/// A key padded to the block of SHA-256, as HMAC (RFC 2104) pads it itself; taking a whole block cannot fail.
fn block(key: &[u8; 32]) -> [u8; 64] {
    let mut block = [0; 64];
    block[..32].copy_from_slice(key);
    block
}

struct RotationKey([u8; 32]);

impl std::fmt::Debug for RotationKey {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("RotationKey")
    }
}

/// Checks credentials.
#[derive(Debug)]
pub struct Authenticator {
    /// Access tokens.
    pub access: AccessTokens,
    rotation_key: RotationKey,
    /// Passwords.
    pub passwords: Passwords,
    remembered: Remembered,
}

impl Authenticator {
    /// With a signing key and a cost of passwords.
    ///
    /// # Errors
    /// When the cost is none that the algorithm takes.
    pub fn new(key: &[u8; 32], cost: PasswordCost) -> Result<Self, String> {
        let passwords = Passwords::new(cost)?;
        let rotation_key = RotationKey(*key);
        Ok(Self {
            access: AccessTokens::new(key),
            rotation_key,
            passwords,
            remembered: Remembered::default(),
        })
    }

    /// The refresh token that follows from one and the client's rotation id. It can be worked out again when a reply was
    /// lost, by this service only, so that no secret is kept for that.
    #[must_use]
    pub fn successor(&self, refresh_token: &str, rotation_id: Uuid) -> String {
        let mut mac = <Hmac<Sha256> as hmac::digest::KeyInit>::new(&block(&self.rotation_key.0).into());
        // Another use of the same key signs access tokens; the label keeps the two apart.
        mac.update(b"tarebook refresh successor\0");
        mac.update(rotation_id.as_bytes());
        mac.update(refresh_token.as_bytes());
        token::from_secret(token::REFRESH, &mac.finalize().into_bytes().into())
    }

    /// Forgets what was found good, so that a revocation holds at once.
    pub fn forget(&self) {
        self.remembered.clear();
    }

    async fn account(&self, bearer: &str, pool: &Pool, clock: &Clock) -> Result<Account, ApiError> {
        let (key, generation) = (token::hash(bearer), self.remembered.generation());
        if bearer.starts_with(token::DEVICE) {
            if let Some(account) = self.remembered.get(&key) {
                return Ok(account);
            }
            let account = self.device(bearer, key, pool, clock).await?;
            self.remembered.put(generation, key, account);
            return Ok(account);
        }
        let claims = self.access.check(bearer)?;
        if let Some(account) = self.remembered.get(&key) {
            return Ok(account);
        }
        let account = self.session(&claims, pool, clock).await?;
        self.remembered.put(generation, key, account);
        Ok(account)
    }

    async fn session(&self, claims: &Claims, pool: &Pool, clock: &Clock) -> Result<Account, ApiError> {
        let mut conn = db::connection(pool).await?;
        let now = clock.now();
        let open: Option<DateTime<Utc>> = sessions::table
            .inner_join(accounts::table.on(accounts::id.eq(sessions::account_id)))
            .filter(accounts::deleted_at.is_null())
            .filter(sessions::id.eq(claims.sid))
            .filter(sessions::account_id.eq(claims.sub))
            .filter(sessions::revoked_at.is_null())
            .filter(sessions::last_used_at.gt(now - TimeDelta::days(SESSION_IDLE_D)))
            .filter(sessions::created_at.gt(now - TimeDelta::days(SESSION_AT_MOST_D)))
            .select(sessions::created_at)
            .first(&mut conn)
            .await
            .optional()?;
        match open {
            Some(at) => Ok(Account {
                id: claims.sub,
                credential: Credential::Session(claims.sid),
                logged_in_at: Some(at),
            }),
            None => Err(ApiError::new(ErrorCode::NotAuthenticated, "the session is over; log in again")),
        }
    }

    async fn device(
        &self,
        bearer: &str,
        hash: [u8; 32],
        pool: &Pool,
        clock: &Clock,
    ) -> Result<Account, ApiError> {
        let refused = || {
            ApiError::new(ErrorCode::NotAuthenticated, "the device token is unknown or revoked; link again")
        };
        if !token::is_well_formed(token::DEVICE, bearer) {
            return Err(refused());
        }
        let mut conn = db::connection(pool).await?;
        let row: Option<(Uuid, Uuid, Option<DateTime<Utc>>)> = device_tokens::table
            .inner_join(accounts::table.on(accounts::id.eq(device_tokens::account_id)))
            .filter(accounts::deleted_at.is_null())
            .filter(device_tokens::token_hash.eq(hash.to_vec()))
            .filter(device_tokens::revoked_at.is_null())
            .select((device_tokens::id, device_tokens::account_id, device_tokens::last_used_at))
            .first(&mut conn)
            .await
            .optional()?;
        let (id, account, last_used) = row.ok_or_else(refused)?;
        let now = clock.now();
        // To the minute: who looks for a lost device does not need more, and a write per request would cost.
        if last_used.is_none_or(|last| now - last > TimeDelta::minutes(1)) {
            diesel::update(device_tokens::table.find(id))
                .set(device_tokens::last_used_at.eq(now))
                .execute(&mut conn)
                .await?;
        }
        Ok(Account { id: account, credential: Credential::Device(id), logged_in_at: None })
    }
}

fn bearer(request: &HttpRequest) -> Result<String, ApiError> {
    let missing = || ApiError::new(ErrorCode::NotAuthenticated, "send Authorization: Bearer with a token");
    let value = request.headers().get(header::AUTHORIZATION).ok_or_else(missing)?;
    let (scheme, token) = value.to_str().ok().and_then(|value| value.split_once(' ')).ok_or_else(missing)?;
    if scheme.eq_ignore_ascii_case("bearer") && !token.is_empty() {
        Ok(token.trim().to_owned())
    } else {
        Err(missing())
    }
}

impl FromRequest for Account {
    type Error = ApiError;
    type Future = Pin<Box<dyn Future<Output = Result<Self, ApiError>>>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        let request = request.clone();
        Box::pin(async move {
            let bearer = bearer(&request)?;
            let auth = state::<web::Data<Authenticator>>(&request)?;
            let pool = state::<web::Data<Pool>>(&request)?;
            let clock = state::<web::Data<Clock>>(&request)?;
            auth.account(&bearer, &pool, &clock).await
        })
    }
}

/// Somebody whose answer takes long: whether they are still let in is asked again on the way.
#[derive(Clone)]
pub struct Standing {
    bearer: String,
    auth: web::Data<Authenticator>,
    pool: web::Data<Pool>,
    clock: web::Data<Clock>,
}

impl Standing {
    /// Asks again.
    ///
    /// # Errors
    /// As the credential is no longer good.
    pub async fn check(&self) -> Result<Account, ApiError> {
        self.auth.account(&self.bearer, &self.pool, &self.clock).await
    }
}

impl FromRequest for Standing {
    type Error = ApiError;
    type Future = Ready<Result<Self, ApiError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(bearer(request).and_then(|bearer| {
            let (auth, pool, clock) = (state(request)?, state(request)?, state(request)?);
            Ok(Self { bearer, auth, pool, clock })
        }))
    }
}

fn state<T: Clone + 'static>(request: &HttpRequest) -> Result<T, ApiError> {
    let found = request.app_data::<T>().cloned();
    found.ok_or_else(|| ApiError::internal("the app was built without a part", std::any::type_name::<T>()))
}

/// Now, for handlers.
#[derive(Debug, Clone, Copy)]
pub struct Now(pub domain::time::Timestamp);

impl FromRequest for Now {
    type Error = ApiError;
    type Future = Ready<Result<Self, ApiError>>;

    fn from_request(request: &HttpRequest, _: &mut Payload) -> Self::Future {
        ready(state::<web::Data<Clock>>(request).map(|clock| Now(clock.timestamp())))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn successor_same_pair_same_token_other_pair_other_token() {
        let auth = Authenticator::new(&[7; 32], PasswordCost::CHEAP).unwrap();
        let other = Authenticator::new(&[8; 32], PasswordCost::CHEAP).unwrap();
        let (a, b) = (Uuid::from_u128(1), Uuid::from_u128(2));
        let next = auth.successor("tbr_x", a);
        assert!(token::is_well_formed(token::REFRESH, &next));
        assert_eq!(next, auth.successor("tbr_x", a));
        assert_ne!(next, auth.successor("tbr_x", b));
        assert_ne!(next, auth.successor("tbr_y", a));
        assert_ne!(next, other.successor("tbr_x", a));
    }
}
