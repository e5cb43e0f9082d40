//! JSON columns read and written as what they hold, without a value tree in between.

use std::io::Write as _;

use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::pg::{Pg, PgValue};
use diesel::serialize::{self, IsNull, Output, ToSql};
use diesel::sql_types::Jsonb;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// The number of the binary form of jsonb that PostgreSQL writes and reads: it stands before the text.
const VERSION: u8 = 1;

/// A `T` in a column of jsonb.
#[derive(Debug, Clone, PartialEq, Eq, FromSqlRow)]
pub struct AsJson<T>(pub T);

/// The text of a value of jsonb.
///
/// # Errors
/// For another binary form.
pub fn text(value: &[u8]) -> deserialize::Result<&[u8]> {
    match value.split_first() {
        Some((&VERSION, text)) => Ok(text),
        _ => Err("a jsonb value of a version that is not known".into()),
    }
}

impl<T: DeserializeOwned> FromSql<Jsonb, Pg> for AsJson<T> {
    fn from_sql(value: PgValue<'_>) -> deserialize::Result<Self> {
        Ok(Self(serde_json::from_slice(text(value.as_bytes())?)?))
    }
}

impl<T: Serialize + std::fmt::Debug> ToSql<Jsonb, Pg> for AsJson<T> {
    fn to_sql<'b>(&'b self, out: &mut Output<'b, '_, Pg>) -> serialize::Result {
        out.write_all(&[VERSION])?;
        serde_json::to_writer(out, &self.0)?;
        Ok(IsNull::No)
    }
}
