//! Statements written as SQL, with typed binds, that the connection keeps prepared. The query builder's own raw SQL is
//! never kept, and its multi-row inserts are not either; both cost a round trip each time.

use std::marker::PhantomData;

use diesel::pg::Pg;
use diesel::query_builder::{AstPass, Query, QueryFragment, QueryId};
use diesel::result::QueryResult;
use diesel::serialize::ToSql;
use diesel::sql_types::HasSqlType;

trait Bind: Send {
    fn push<'b>(&'b self, out: AstPass<'_, 'b, Pg>) -> QueryResult<()>;
}

struct Typed<ST, T>(T, PhantomData<fn() -> ST>);

impl<ST, T> Bind for Typed<ST, T>
where
    Pg: HasSqlType<ST>,
    T: ToSql<ST, Pg> + Send,
{
    fn push<'b>(&'b self, mut out: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        out.push_bind_param::<ST, T>(&self.0)
    }
}

enum Part<'a> {
    Text(&'a str),
    Bind(Box<dyn Bind + 'a>),
}

/// A statement whose rows have the SQL type `Row`.
pub struct Sql<'a, Row = ()> {
    parts: Vec<Part<'a>>,
    row: PhantomData<fn() -> Row>,
}

/// Begins a statement. Text is never built from input; values go in through [`Sql::bind`].
#[must_use]
pub fn sql<Row>(text: &'static str) -> Sql<'static, Row> {
    Sql { parts: vec![Part::Text(text)], row: PhantomData }
}

impl<'a, Row> Sql<'a, Row> {
    /// Goes on with text.
    #[must_use]
    pub fn sql(mut self, text: &'static str) -> Self {
        self.parts.push(Part::Text(text));
        self
    }

    /// Goes on with a value of the SQL type `ST`.
    #[must_use]
    pub fn bind<ST, T>(mut self, value: T) -> Self
    where
        Pg: HasSqlType<ST>,
        ST: 'a,
        T: ToSql<ST, Pg> + Send + 'a,
    {
        self.parts.push(Part::Bind(Box::new(Typed::<ST, T>(value, PhantomData))));
        self
    }
}

impl<Row> QueryFragment<Pg> for Sql<'_, Row> {
    fn walk_ast<'b>(&'b self, mut out: AstPass<'_, 'b, Pg>) -> QueryResult<()> {
        for part in &self.parts {
            match part {
                Part::Text(text) => out.push_sql(text),
                Part::Bind(bind) => bind.push(out.reborrow())?,
            }
        }
        Ok(())
    }
}

// No static id: the prepared statement is kept by its text, which is the same for every call from one place.
impl<Row> QueryId for Sql<'_, Row> {
    type QueryId = ();
    const HAS_STATIC_QUERY_ID: bool = false;
}

impl<Row> Query for Sql<'_, Row> {
    type SqlType = Row;
}
