//! Who asks: people with accounts and device tokens, put straight into the tables, in every relation to a kitroom.

use std::ops::Deref;

use api::platform::auth::AccessTokens;
use api::platform::password::{PasswordCost, Passwords};
use api::platform::token;
use domain::wire::kitroom::Purpose;
use tokio::sync::OnceCell;
use uuid::Uuid;

use super::app::{SIGNING_KEY, TestApp};
use super::client::Http;

/// The password of every actor.
pub const PASSWORD: &str = "up the long hill";

async fn password_hash() -> &'static str {
    static HASH: OnceCell<String> = OnceCell::const_new();
    HASH.get_or_init(async || {
        let passwords = Passwords::new(PasswordCost::CHEAP).expect("a cost that the algorithm takes");
        passwords.hash(PASSWORD.to_owned()).await.expect("it can be hashed")
    })
    .await
}

/// Somebody with an account.
#[derive(Debug, Clone)]
pub struct Actor {
    /// The account.
    pub account: Uuid,
    /// Its e-mail address.
    pub email: String,
    /// Asks with the actor's device token.
    pub http: Http,
}

impl Deref for Actor {
    type Target = Http;

    fn deref(&self) -> &Http {
        &self.http
    }
}

/// A kitroom with somebody in each relation to it.
#[derive(Debug)]
pub struct Kitroom {
    /// Its id.
    pub id: Uuid,
    /// Decides about members too.
    pub owner: Actor,
    /// Changes every record.
    pub keeper: Actor,
    /// Appends facts.
    pub member: Actor,
    /// Reads.
    pub viewer: Actor,
    /// Was a member once.
    pub removed: Actor,
    /// Never was one.
    pub outsider: Actor,
    /// Has no account.
    pub anonymous: Http,
}

impl Kitroom {
    /// A path within it, such as `items`.
    #[must_use]
    pub fn path(&self, rest: &str) -> String {
        format!("/v1/kitrooms/{}/{rest}", self.id)
    }
}

impl TestApp {
    /// A new account with a device token.
    pub async fn actor(&self, name: &str) -> Actor {
        self.actor_with_id(name, Uuid::now_v7()).await
    }

    /// A new account with this id. Its password is [`PASSWORD`].
    ///
    /// # Panics
    /// When it cannot be stored.
    pub async fn actor_with_id(&self, name: &str, account: Uuid) -> Actor {
        let secret = token::mint(token::DEVICE).expect("the system has randomness");
        let hash: String = token::hash(&secret).iter().map(|byte| format!("{byte:02x}")).collect();
        let email = format!("{}.{}@example.org", name.to_lowercase(), &account.simple().to_string()[24..]);
        let password = password_hash().await;
        self.execute(&format!(
            "insert into accounts (id, email, name, password_hash, created_at) \
             values ('{account}', '{email}', '{name}', '{password}', now()); \
             insert into device_tokens (id, account_id, name, token_hash, created_at) \
             values ('{}', '{account}', 'test device', decode('{hash}', 'hex'), now())",
            Uuid::now_v7()
        ))
        .await;
        Actor { account, email, http: self.http.with_token(&secret) }
    }

    /// A session of an actor's that began now, as after a login with the password.
    ///
    /// # Panics
    /// When no token can be signed.
    pub async fn log_in(&self, actor: &Actor) -> Http {
        let (session, now) = (Uuid::now_v7(), self.clock.now());
        self.execute(&format!(
            "insert into sessions (id, account_id, created_at, last_used_at) values ('{session}', '{}', '{now}', '{now}')",
            actor.account
        ))
        .await;
        let tokens = AccessTokens::new(&SIGNING_KEY);
        self.http.with_token(&tokens.issue(actor.account, session, now).expect("it can be signed"))
    }

    /// A new, empty club kitroom and its people.
    pub async fn kitroom(&self) -> Kitroom {
        let id = Uuid::now_v7();
        let owner = self.actor("Olga").await;
        self.insert_kitroom(id, Purpose::Club, &owner).await;
        let kitroom = Kitroom {
            id,
            owner,
            keeper: self.actor("Kim").await,
            member: self.actor("Mika").await,
            viewer: self.actor("Vera").await,
            removed: self.actor("Remo").await,
            outsider: self.actor("Udo").await,
            anonymous: self.http.clone(),
        };
        self.join(id, &kitroom.keeper, "keeper").await;
        self.join(id, &kitroom.member, "member").await;
        self.join(id, &kitroom.viewer, "viewer").await;
        self.join(id, &kitroom.removed, "keeper").await;
        self.leave(id, &kitroom.removed).await;
        kitroom
    }

    /// A kitroom with this id.
    pub async fn insert_kitroom(&self, id: Uuid, purpose: Purpose, owner: &Actor) {
        self.execute(&format!(
            "insert into kitrooms (id, name, purpose, epoch, created_at) \
             values ('{id}', 'test kit', '{}', '{}', now())",
            purpose.name(),
            Uuid::now_v7()
        ))
        .await;
        self.join(id, owner, "owner").await;
    }

    /// Makes an actor a member.
    pub async fn join(&self, kitroom: Uuid, actor: &Actor, role: &str) {
        self.execute(&format!(
            "insert into memberships (kitroom_id, account_id, role, created_at) \
             values ('{kitroom}', '{}', '{role}', now())",
            actor.account
        ))
        .await;
    }

    /// Ends a membership.
    pub async fn leave(&self, kitroom: Uuid, actor: &Actor) {
        self.execute(&format!(
            "update memberships set removed_at = now() where kitroom_id = '{kitroom}' and account_id = '{}'",
            actor.account
        ))
        .await;
    }
}
