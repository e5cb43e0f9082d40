//! Passwords and sessions for the people of a test.

use api::platform::auth::AccessTokens;
use api::platform::token;
use serde_json::{Value, json};
use uuid::Uuid;

pub use super::actors::PASSWORD;
use super::app::{SIGNING_KEY, TestApp};
use super::bodies::With;
use super::client::{Http, Reply};

/// What a login answers.
#[derive(Debug, Clone)]
pub struct Pair {
    /// The access token.
    pub access: String,
    /// The refresh token.
    pub refresh: String,
}

impl Pair {
    /// From the body of the answer.
    #[must_use]
    pub fn of(body: &Value) -> Self {
        Self { access: body.text("access_token").to_owned(), refresh: body.text("refresh_token").to_owned() }
    }
}

/// A login as it is asked for.
pub async fn try_login(http: &Http, email: &str, password: &str) -> Reply {
    http.post("/v1/sessions", &json!({"email": email, "password": password})).await
}

/// An exchange of a refresh token.
pub async fn refresh(http: &Http, token: &str, rotation: Uuid) -> Reply {
    http.post("/v1/sessions/refresh", &json!({"refresh_token": token, "rotation_id": rotation})).await
}

impl TestApp {
    /// Logs in with the one password.
    pub async fn login(&self, email: &str) -> Pair {
        Pair::of(&try_login(&self.http, email, PASSWORD).await.expect(201))
    }

    /// A session of an account without a login, and its access token.
    ///
    /// # Panics
    /// When it cannot be stored.
    pub async fn open_session(&self, account: Uuid) -> (Uuid, String) {
        let (session, now) = (Uuid::now_v7(), self.clock.now());
        self.execute(&format!(
            "insert into sessions (id, account_id, created_at, last_used_at) \
             values ('{session}', '{account}', '{now}', '{now}')"
        ))
        .await;
        let access = AccessTokens::new(&SIGNING_KEY).issue(account, session, now).expect("it can be signed");
        (session, access)
    }

    /// A refresh token of a session.
    ///
    /// # Panics
    /// When it cannot be stored.
    pub async fn add_refresh_token(&self, session: Uuid) -> String {
        let secret = token::mint(token::REFRESH).expect("the system has randomness");
        let hash: String = token::hash(&secret).iter().map(|byte| format!("{byte:02x}")).collect();
        self.execute(&format!(
            "insert into refresh_tokens (token_hash, session_id, created_at) \
             values (decode('{hash}', 'hex'), '{session}', now())"
        ))
        .await;
        secret
    }
}
