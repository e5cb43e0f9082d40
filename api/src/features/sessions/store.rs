//! Sessions and their refresh tokens in the database.

use chrono::{DateTime, TimeDelta, Utc};
use diesel::prelude::*;
use diesel_async::{AsyncConnection, AsyncPgConnection, RunQueryDsl};
use domain::time::Timestamp;
use domain::wire::account::SessionInfo;
use uuid::Uuid;

use crate::platform::auth::{SESSION_AT_MOST_D, SESSION_IDLE_D};
use crate::platform::error::ApiError;
use crate::schema::{accounts, refresh_tokens, sessions};

/// For how long a lost reply can be asked for again.
const LOST_REPLY_H: i64 = 24;

/// The id and the password hash of the account with this address.
pub async fn find_login(
    conn: &mut AsyncPgConnection,
    email: &str,
) -> Result<Option<(Uuid, String)>, ApiError> {
    // No text of the database holds this character.
    if email.contains('\0') {
        return Ok(None);
    }
    let row = accounts::table
        .filter(accounts::email.eq(email.to_lowercase()))
        .filter(accounts::deleted_at.is_null())
        .select((accounts::id, accounts::password_hash))
        .first(conn)
        .await
        .optional()?;
    Ok(row)
}

/// A new session with its first refresh token.
pub async fn insert_session(
    conn: &mut AsyncPgConnection,
    id: Uuid,
    account: Uuid,
    refresh_hash: &[u8; 32],
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    conn.transaction(async |conn| {
        diesel::insert_into(sessions::table)
            .values((
                sessions::id.eq(id),
                sessions::account_id.eq(account),
                sessions::created_at.eq(now),
                sessions::last_used_at.eq(now),
            ))
            .execute(conn)
            .await?;
        insert_refresh_token(conn, id, refresh_hash, now).await
    })
    .await
}

async fn insert_refresh_token(
    conn: &mut AsyncPgConnection,
    session: Uuid,
    hash: &[u8; 32],
    now: DateTime<Utc>,
) -> Result<(), ApiError> {
    diesel::insert_into(refresh_tokens::table)
        .values((
            refresh_tokens::token_hash.eq(&hash[..]),
            refresh_tokens::session_id.eq(session),
            refresh_tokens::created_at.eq(now),
        ))
        .execute(conn)
        .await?;
    Ok(())
}

/// What became of an exchange.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Exchange {
    /// The successor is good, new or asked for again.
    Granted {
        /// The account.
        account: Uuid,
        /// The session.
        session: Uuid,
    },
    /// The token is unknown, or its session is over.
    Unknown,
    /// Another process exchanged it a moment ago; what that one got is good.
    Elsewhere,
    /// It was used after its successor was: somebody else has a copy. The session is over.
    Stolen {
        /// The session that was ended.
        session: Uuid,
    },
}

#[derive(Queryable)]
struct Presented {
    session: Uuid,
    used_at: Option<DateTime<Utc>>,
    rotation_id: Option<Uuid>,
    successor: Option<Vec<u8>>,
    account: Uuid,
}

/// Exchanges a refresh token for its successor, whose hash is given: it follows from the token and the rotation id, so
/// that a lost reply can be given again without keeping a secret.
pub async fn exchange(
    conn: &mut AsyncPgConnection,
    hash: &[u8; 32],
    rotation: Uuid,
    successor: &[u8; 32],
    now: DateTime<Utc>,
) -> Result<Exchange, ApiError> {
    conn.transaction(async |conn| {
        // The row's lock makes two exchanges of one token stand in line; the second sees what the first did.
        let presented: Option<Presented> = refresh_tokens::table
            .inner_join(sessions::table)
            .filter(refresh_tokens::token_hash.eq(&hash[..]))
            .filter(sessions::revoked_at.is_null())
            .filter(sessions::last_used_at.gt(now - TimeDelta::days(SESSION_IDLE_D)))
            .filter(sessions::created_at.gt(now - TimeDelta::days(SESSION_AT_MOST_D)))
            .select((
                refresh_tokens::session_id,
                refresh_tokens::used_at,
                refresh_tokens::rotation_id,
                refresh_tokens::successor_hash,
                sessions::account_id,
            ))
            .for_update()
            .first(conn)
            .await
            .optional()?;
        let Some(presented) = presented else { return Ok(Exchange::Unknown) };
        let granted = Exchange::Granted { account: presented.account, session: presented.session };
        let Some(used_at) = presented.used_at else {
            diesel::update(refresh_tokens::table.find(&hash[..]))
                .set((
                    refresh_tokens::used_at.eq(now),
                    refresh_tokens::rotation_id.eq(rotation),
                    refresh_tokens::successor_hash.eq(&successor[..]),
                ))
                .execute(conn)
                .await?;
            insert_refresh_token(conn, presented.session, successor, now).await?;
            diesel::update(sessions::table.find(presented.session))
                .set(sessions::last_used_at.eq(now))
                .execute(conn)
                .await?;
            return Ok(granted);
        };
        let successor_used: bool = match &presented.successor {
            None => true,
            Some(successor) => refresh_tokens::table
                .find(successor)
                .select(refresh_tokens::used_at.is_not_null())
                .first(conn)
                .await
                .optional()?
                .unwrap_or(true),
        };
        if successor_used {
            diesel::update(sessions::table.find(presented.session))
                .set(sessions::revoked_at.eq(now))
                .execute(conn)
                .await?;
            return Ok(Exchange::Stolen { session: presented.session });
        }
        let same = presented.rotation_id == Some(rotation) && now - used_at <= TimeDelta::hours(LOST_REPLY_H);
        Ok(if same { granted } else { Exchange::Elsewhere })
    })
    .await
}

/// The account's open sessions, oldest first.
pub async fn list_sessions(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    current: Option<Uuid>,
    now: DateTime<Utc>,
) -> Result<Vec<SessionInfo>, ApiError> {
    let rows: Vec<(Uuid, DateTime<Utc>, DateTime<Utc>)> = sessions::table
        .filter(sessions::account_id.eq(account))
        .filter(sessions::revoked_at.is_null())
        .filter(sessions::last_used_at.gt(now - TimeDelta::days(SESSION_IDLE_D)))
        .filter(sessions::created_at.gt(now - TimeDelta::days(SESSION_AT_MOST_D)))
        .order(sessions::id)
        .select((sessions::id, sessions::created_at, sessions::last_used_at))
        .load(conn)
        .await?;
    let info = |(id, created, used)| SessionInfo {
        id,
        created_at: Timestamp::from_utc(created),
        last_used_at: Timestamp::from_utc(used),
        current: current == Some(id),
    };
    Ok(rows.into_iter().map(info).collect())
}

/// Ends one of the account's sessions; answers whether there was one.
pub async fn revoke_session(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    session: Uuid,
    now: DateTime<Utc>,
) -> Result<bool, ApiError> {
    let own = sessions::table
        .filter(sessions::id.eq(session))
        .filter(sessions::account_id.eq(account))
        .filter(sessions::revoked_at.is_null());
    Ok(diesel::update(own).set(sessions::revoked_at.eq(now)).execute(conn).await? > 0)
}

/// Ends all sessions of the account but one; answers how many.
pub async fn revoke_sessions(
    conn: &mut AsyncPgConnection,
    account: Uuid,
    except: Option<Uuid>,
    now: DateTime<Utc>,
) -> Result<usize, ApiError> {
    let own = sessions::table
        .filter(sessions::account_id.eq(account))
        .filter(sessions::id.ne(except.unwrap_or_default()))
        .filter(sessions::revoked_at.is_null());
    Ok(diesel::update(own).set(sessions::revoked_at.eq(now)).execute(conn).await?)
}
