//! A resource: a kind under a path, with what is derived for it.

use actix_web::http::header;
use actix_web::{HttpRequest, HttpResponse, HttpResponseBuilder};
use diesel::sql_types::{Jsonb, Nullable, Uuid as SqlUuid};
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
use crate::platform::extract::{path_id, tag};
use crate::platform::jsonb::AsJson;
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

/// The resource that another one lies under, as entries lie under their loadout.
#[derive(Debug, Clone, Copy)]
pub struct Under {
    /// Its kind.
    pub kind: &'static str,
    /// Its path segment.
    pub segment: &'static str,
    /// The parameter of the path and the field of the body that hold its id.
    pub field: &'static str,
}

impl Under {
    /// What it is called in sentences.
    #[must_use]
    pub fn noun(&self) -> String {
        self.kind.replace('_', " ")
    }
}

/// A kind under a path.
#[derive(Debug, Clone, Copy)]
pub struct Resource {
    /// The kind's name.
    pub kind: &'static str,
    /// The path segment.
    pub segment: &'static str,
    /// The parameter of the path that holds a record's id.
    pub id: &'static str,
    /// What it lies under, beside the kitroom.
    pub under: Option<Under>,
    /// What is derived for it: the fields of each, one after the other.
    pub projections: &'static [Projection],
}

/// The record that an address puts another one under.
#[derive(Debug, Clone, Copy)]
pub struct Parent {
    /// The field that holds its id.
    pub field: &'static str,
    /// Its id.
    pub id: Uuid,
}

/// What a record's address says.
#[derive(Debug, Clone, Copy)]
pub struct Address {
    /// The record's id.
    pub id: Uuid,
    /// What it lies under, beside the kitroom.
    pub parent: Option<Parent>,
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
pub type Columns = (records::Columns, Nullable<Jsonb>);
type Row = (records::Row, Option<AsJson<Object>>);

impl Resource {
    /// A kind that lies right under its kitroom, with nothing derived for it.
    #[must_use]
    pub const fn new(kind: &'static str, segment: &'static str, id: &'static str) -> Self {
        Self { kind, segment, id, under: None, projections: &[] }
    }

    /// What it is called in sentences.
    #[must_use]
    pub fn noun(&self) -> String {
        self.kind.replace('_', " ")
    }

    /// The same with its article.
    #[must_use]
    pub fn article_noun(&self) -> String {
        let article = if self.kind.starts_with(['a', 'e', 'i', 'o', 'u']) { "an" } else { "a" };
        format!("{article} {}", self.noun())
    }

    /// Several of them, in the spelling of a kind's name.
    #[must_use]
    pub fn plural(&self) -> String {
        let segment = self.segment.replace('-', "_");
        match self.under {
            Some(under) => format!("{}_{segment}", under.kind),
            None => segment,
        }
    }

    /// The path of all of them within a kitroom.
    #[must_use]
    pub fn path(&self) -> String {
        match self.under {
            Some(under) => format!("/{}/{{{}}}/{}", under.segment, under.field, self.segment),
            None => format!("/{}", self.segment),
        }
    }

    /// The path of one of them within a kitroom.
    #[must_use]
    pub fn record_path(&self) -> String {
        format!("{}/{{{}}}", self.path(), self.id)
    }

    /// What the address of a request puts its records under.
    ///
    /// # Errors
    /// `not-found` for what is no id.
    pub fn parent(&self, request: &HttpRequest) -> Result<Option<Parent>, ApiError> {
        let Some(Under { field, .. }) = self.under else { return Ok(None) };
        Ok(Some(Parent { field, id: id_in(request, field)? }))
    }

    /// Refuses an address under a record that is not there.
    ///
    /// # Errors
    /// `not-found`.
    pub async fn require(
        &self,
        conn: &mut AsyncPgConnection,
        kitroom: Uuid,
        parent: Option<Parent>,
    ) -> Result<(), ApiError> {
        let Some((under, parent)) = self.under.zip(parent) else { return Ok(()) };
        let kind =
            kinds::kind(under.kind).ok_or_else(|| ApiError::internal("a kind is missing", under.kind))?;
        let statement = records::select(kind, kitroom).sql(" and r.id = ").bind::<SqlUuid, _>(parent.id);
        let found = records::load(conn, statement.sql(" and not r.deleted")).await?;
        if found.is_empty() { Err(ApiError::not_found()) } else { Ok(()) }
    }

    /// Which record the address of a request means.
    ///
    /// # Errors
    /// `not-found` for what is no id.
    pub fn address(&self, request: &HttpRequest) -> Result<Address, ApiError> {
        Ok(Address { id: id_in(request, self.id)?, parent: self.parent(request)? })
    }

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
        let mut statement = statement.sql(", ");
        for (at, projection) in self.projections.iter().enumerate() {
            statement = statement.sql(if at == 0 { "" } else { " || " });
            statement = statement.sql("coalesce(").sql(projection.table).sql(".").sql(projection.value);
            statement = statement.sql(", '{}')");
        }
        statement = statement.sql(if self.projections.is_empty() { "null::jsonb" } else { "" });
        statement = statement.sql(" from ").sql(self.kind()?.table).sql(" r");
        for Projection { table, key, .. } in self.projections {
            statement = statement.sql(" left join ").sql(table).sql(" on ").sql(table);
            statement =
                statement.sql(".kitroom_id = r.kitroom_id and ").sql(table).sql(".").sql(key).sql(" = r.id");
        }
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
        let shown = rows.into_iter().map(|(record, derived)| Shown {
            stored: records::from_row(record),
            derived: derived.map(|derived| derived.0),
        });
        Ok(shown.collect())
    }

    /// One record that is not deleted.
    ///
    /// # Errors
    /// `not-found`.
    pub async fn find(
        &self,
        conn: &mut AsyncPgConnection,
        kitroom: Uuid,
        at: Address,
    ) -> Result<Shown, ApiError> {
        let statement = self.select(kitroom)?.sql(" and r.id = ").bind::<SqlUuid, _>(at.id);
        let statement = under(at.parent, statement).sql(" and not r.deleted");
        Self::load(conn, statement).await?.into_iter().next().ok_or_else(ApiError::not_found)
    }

    /// Where a record is found.
    #[must_use]
    pub fn location(&self, kitroom: Uuid, at: Address) -> String {
        let (id, segment) = (at.id, self.segment);
        match self.under.zip(at.parent) {
            Some((under, parent)) => {
                format!("/v1/kitrooms/{kitroom}/{}/{}/{segment}/{id}", under.segment, parent.id)
            }
            None => format!("/v1/kitrooms/{kitroom}/{segment}/{id}"),
        }
    }
}

/// Only the records under the parent, when there is one.
#[must_use]
pub fn under<Row>(parent: Option<Parent>, statement: Sql<'static, Row>) -> Sql<'static, Row> {
    match parent {
        Some(parent) => statement.sql(" and r.").sql(parent.field).sql(" = ").bind::<SqlUuid, _>(parent.id),
        None => statement,
    }
}

fn id_in(request: &HttpRequest, name: &str) -> Result<Uuid, ApiError> {
    path_id(request.match_info().get(name).unwrap_or_default())
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
