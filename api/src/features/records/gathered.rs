//! Records of several kinds read by one statement, so that all of them are of one moment: a union of parts, a kind each.

use std::collections::{BTreeMap, HashMap};

use chrono::{DateTime, Utc};
use diesel::sql_types::{BigInt, Bool, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::sync::record::Stored;
use domain::time::Timestamp;
use serde::de::DeserializeOwned;
use uuid::Uuid;

use super::listed::JsonText;
use crate::platform::error::ApiError;
use crate::platform::sql::{Sql, sql};

/// The SQL types of a part: the kind, the record's columns, and what is derived for it.
pub type Columns =
    (Text, SqlUuid, BigInt, SqlUuid, Timestamptz, Bool, Nullable<Jsonb>, Bool, Jsonb, Nullable<Jsonb>);
type Row = (String, Uuid, i64, Uuid, DateTime<Utc>, bool, Option<JsonText>, bool, JsonText, Option<JsonText>);

/// A statement of parts.
pub type Parts = Sql<'static, Columns>;

/// Nothing is derived.
pub const NONE: &str = "null::jsonb";

const COLUMNS: &str =
    "r.id, r.version, r.created_by, r.recorded_at, r.deleted, r.voided, r.time_suspect, r.body, ";

/// Begins a statement with common table expressions (`with ...`), which the parts may read.
#[must_use]
pub fn begin(with: &'static str) -> Parts {
    sql::<Columns>(with)
}

/// Adds a part: the records of a kind from `from`, whose row is called `r`, narrowed to the kitroom and to what is written
/// after it. The first part follows a `)`; each other one is joined to those before it.
#[must_use]
pub fn part(
    statement: Parts,
    first: bool,
    kind: &'static str,
    derived: &'static str,
    from: &'static str,
    kitroom: Uuid,
) -> Parts {
    statement
        .sql(if first { " select '" } else { " union all select '" })
        .sql(kind)
        .sql("', ")
        .sql(COLUMNS)
        .sql(derived)
        .sql(" from ")
        .sql(from)
        .sql(" where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
}

/// A record as it was read, its JSON still text.
#[derive(Debug)]
pub struct Found(Row);

impl Found {
    /// Its id.
    #[must_use]
    pub fn id(&self) -> Uuid {
        self.0.1
    }

    /// The number of its last change.
    #[must_use]
    pub fn version(&self) -> i64 {
        self.0.2
    }

    /// Who made it.
    #[must_use]
    pub fn created_by(&self) -> Uuid {
        self.0.3
    }

    /// Its body as text.
    #[must_use]
    pub fn text(&self) -> &str {
        self.0.8.as_str()
    }

    /// What is stored of it.
    ///
    /// # Errors
    /// `internal`: it was checked when it was written.
    pub fn body<T: DeserializeOwned>(&self) -> Result<T, ApiError> {
        read(&self.0.8)
    }

    /// What is derived for it.
    ///
    /// # Errors
    /// As [`Found::body`].
    pub fn derived<T: DeserializeOwned>(&self) -> Result<Option<T>, ApiError> {
        self.0.9.as_ref().map(read).transpose()
    }

    /// The record, without what only merging looks at.
    ///
    /// # Errors
    /// As [`Found::body`].
    pub fn stored(&self) -> Result<Stored, ApiError> {
        Ok(Stored {
            id: self.0.1,
            version: self.0.2,
            units: BTreeMap::default(),
            created_by: self.0.3,
            recorded_at: Timestamp::from_utc(self.0.4),
            deleted: self.0.5,
            voided: self.0.6.as_ref().map(read).transpose()?,
            time_suspect: self.0.7,
            body: read(&self.0.8)?,
        })
    }
}

fn read<T: DeserializeOwned>(text: &JsonText) -> Result<T, ApiError> {
    serde_json::from_str(text.as_str())
        .map_err(|error| ApiError::internal("a stored record cannot be read", error))
}

/// What was read, by kind.
#[derive(Debug, Default)]
pub struct Gathered(HashMap<String, Vec<Found>>);

impl Gathered {
    /// Runs a statement of parts.
    ///
    /// # Errors
    /// As the database fails.
    pub async fn load(conn: &mut AsyncPgConnection, statement: Parts) -> Result<Self, ApiError> {
        let rows: Vec<Row> = statement.load(conn).await?;
        let mut by_kind: HashMap<String, Vec<Found>> = HashMap::new();
        for row in rows {
            match by_kind.get_mut(&row.0) {
                Some(found) => found.push(Found(row)),
                None => {
                    by_kind.insert(row.0.clone(), vec![Found(row)]);
                }
            }
        }
        Ok(Self(by_kind))
    }

    /// Those of a kind.
    #[must_use]
    pub fn kind(&self, name: &str) -> &[Found] {
        self.0.get(name).map_or(&[], Vec::as_slice)
    }

    /// Those of a kind, as records.
    ///
    /// # Errors
    /// As [`Found::body`].
    pub fn stored(&self, name: &str) -> Result<Vec<Stored>, ApiError> {
        self.kind(name).iter().map(Found::stored).collect()
    }
}
