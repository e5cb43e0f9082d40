//! A resource: a kind under a path, with what is derived for it.

use actix_web::http::header;
use actix_web::{HttpResponse, HttpResponseBuilder};
use diesel::sql_types::{BigInt, Bool, Jsonb, Nullable, Timestamptz, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::kinds::{self, Kind};
use domain::sync::canonical;
use domain::sync::record::Stored;
use domain::wire::shape::Object;
use serde::Deserialize;
use serde_json::Value;
use uuid::Uuid;

use super::listed;
use crate::door::records;
use crate::platform::error::ApiError;
use crate::platform::extract::tag;
use crate::platform::sql::{Sql, sql};

/// A stored projection that is answered with each record.
#[derive(Debug, Clone, Copy)]
pub struct Projection {
    /// Its table.
    pub table: &'static str,
    /// The column that holds the record's id.
    pub key: &'static str,
    /// The column that holds what is derived, as JSON.
    pub value: &'static str,
}

/// A kind under a path.
#[derive(Debug, Clone, Copy)]
pub struct Resource {
    /// The kind's name.
    pub kind: &'static str,
    /// The path segment.
    pub segment: &'static str,
    /// What is derived for it.
    pub projection: Option<Projection>,
}

/// A record and what is derived for it.
#[derive(Debug, Clone)]
pub struct Shown {
    /// The record.
    pub stored: Stored,
    /// What is derived.
    pub derived: Option<Object>,
}

/// `?limit=&cursor=`.
#[derive(Debug, Clone, Default, Deserialize, utoipa::IntoParams)]
#[serde(deny_unknown_fields)]
#[into_params(parameter_in = Query)]
pub struct PageQuery {
    /// How many; 100 when absent.
    #[param(minimum = 1, maximum = 500)]
    #[serde(default)]
    pub limit: Option<i64>,
    /// Where the page begins: the `next_cursor` of the page before.
    #[serde(default)]
    pub cursor: Option<String>,
}

/// A statement that answers records with what is derived for them.
pub type Select = Sql<'static, Columns>;

/// A statement that answers the rows of a page.
pub type SelectPage = Sql<'static, listed::Columns>;

/// The SQL types that a [`Select`] answers.
pub type Columns =
    (SqlUuid, BigInt, Jsonb, SqlUuid, Timestamptz, Bool, Nullable<Jsonb>, Bool, Jsonb, Nullable<Jsonb>);
type Row =
    (Uuid, i64, Value, Uuid, chrono::DateTime<chrono::Utc>, bool, Option<Value>, bool, Value, Option<Value>);

impl Resource {
    /// The kind.
    ///
    /// # Errors
    /// `internal` when the registry does not have it.
    pub fn kind(&self) -> Result<&'static Kind, ApiError> {
        kinds::kind(self.kind).ok_or_else(|| ApiError::internal("a kind is missing", self.kind))
    }

    /// Begins a statement that answers records with what is derived for them, the kitroom's only.
    ///
    /// # Errors
    /// `internal` when the registry does not have the kind.
    pub fn select(&self, kitroom: Uuid) -> Result<Select, ApiError> {
        self.begin(records::COLUMNS, kitroom)
    }

    /// The same for pages, whose rows are answered as the database spells them.
    ///
    /// # Errors
    /// `internal` when the registry does not have the kind.
    pub fn select_page(&self, kitroom: Uuid) -> Result<SelectPage, ApiError> {
        self.begin(listed::COLUMNS, kitroom)
    }

    fn begin<Row>(&self, columns: &'static str, kitroom: Uuid) -> Result<Sql<'static, Row>, ApiError> {
        let statement = sql::<Row>("select ").sql(columns);
        let statement = match self.projection {
            None => statement.sql(", null::jsonb from ").sql(self.kind()?.table).sql(" r"),
            Some(projection) => statement
                .sql(", p.")
                .sql(projection.value)
                .sql(" from ")
                .sql(self.kind()?.table)
                .sql(" r left join ")
                .sql(projection.table)
                .sql(" p on p.kitroom_id = r.kitroom_id and p.")
                .sql(projection.key)
                .sql(" = r.id"),
        };
        Ok(statement.sql(" where r.kitroom_id = ").bind::<SqlUuid, _>(kitroom))
    }

    /// Runs such a statement.
    ///
    /// # Errors
    /// As the database fails.
    pub async fn load(
        conn: &mut AsyncPgConnection,
        statement: Sql<'_, Columns>,
    ) -> Result<Vec<Shown>, ApiError> {
        let rows: Vec<Row> = statement.load(conn).await?;
        rows.into_iter()
            .map(|(id, version, units, by, at, deleted, voided, suspect, body, derived)| {
                let stored = records::from_row((id, version, units, by, at, deleted, voided, suspect, body))?;
                let derived = match derived {
                    Some(Value::Object(derived)) => Some(derived),
                    _ => None,
                };
                Ok(Shown { stored, derived })
            })
            .collect()
    }

    /// One record that is not deleted.
    ///
    /// # Errors
    /// `not-found`.
    pub async fn find(
        &self,
        conn: &mut AsyncPgConnection,
        kitroom: Uuid,
        id: Uuid,
    ) -> Result<Shown, ApiError> {
        let statement =
            self.select(kitroom)?.sql(" and r.id = ").bind::<SqlUuid, _>(id).sql(" and not r.deleted");
        Self::load(conn, statement).await?.into_iter().next().ok_or_else(ApiError::not_found)
    }

    /// Where a record is found.
    #[must_use]
    pub fn location(&self, kitroom: Uuid, id: Uuid) -> String {
        format!("/v1/kitrooms/{kitroom}/{}/{id}", self.segment)
    }
}

impl Shown {
    /// The record as a resource answers it: stored fields, and the derived ones beside them.
    #[must_use]
    pub fn to_wire(&self) -> Object {
        let mut record = self.stored.to_wire();
        record.extend(self.derived.clone().unwrap_or_default());
        record
    }

    /// Its entity tag.
    #[must_use]
    pub fn tag(&self, epoch: Uuid) -> String {
        let derived = self.derived.clone().map(Value::Object).unwrap_or_default();
        let hash = crc32fast::hash(&canonical::to_vec(&derived).unwrap_or_default());
        tag(epoch, self.stored.version, hash)
    }

    /// The response that answers it.
    pub fn respond(&self, mut response: HttpResponseBuilder, epoch: Uuid) -> HttpResponse {
        response.insert_header((header::ETAG, self.tag(epoch))).json(self.to_wire())
    }
}
