//! Reading and writing records of any kind: their tables all have one shape.

use std::collections::BTreeMap;

use chrono::{DateTime, Utc};
use diesel::sql_types::{Array, BigInt, Bool, Jsonb, Nullable, Timestamptz, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::kinds::Kind;
use domain::sync::record::{Stored, UnitMark, Voided};
use domain::time::Timestamp;
use domain::wire::shape::Object;
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::platform::jsonb::AsJson;
use crate::platform::sql::{Sql, sql};

/// The columns of a record, in the order of [`Row`].
pub const COLUMNS: &str =
    "r.id, r.version, r.units, r.created_by, r.recorded_at, r.deleted, r.voided, r.time_suspect, r.body";

/// The SQL types of [`COLUMNS`].
pub type Columns = (SqlUuid, BigInt, Jsonb, SqlUuid, Timestamptz, Bool, Nullable<Jsonb>, Bool, Jsonb);

/// A record as it comes from its table.
pub type Row = (
    Uuid,
    i64,
    AsJson<BTreeMap<String, UnitMark>>,
    Uuid,
    DateTime<Utc>,
    bool,
    Option<AsJson<Voided>>,
    bool,
    AsJson<Object>,
);

/// From a row.
#[must_use]
pub fn from_row(row: Row) -> Stored {
    let (id, version, units, created_by, recorded_at, deleted, voided, time_suspect, body) = row;
    Stored {
        id,
        version,
        units: units.0,
        created_by,
        recorded_at: Timestamp::from_utc(recorded_at),
        deleted,
        voided: voided.map(|voided| voided.0),
        time_suspect,
        body: body.0,
    }
}

/// Begins `select <columns> from <table> r where r.kitroom_id = <kitroom>`.
#[must_use]
pub fn select(kind: &Kind, kitroom: Uuid) -> Sql<'static, Columns> {
    sql::<Columns>("select ")
        .sql(COLUMNS)
        .sql(" from ")
        .sql(kind.table)
        .sql(" r where r.kitroom_id = ")
        .bind::<SqlUuid, _>(kitroom)
}

/// Runs a statement that answers [`COLUMNS`].
///
/// # Errors
/// As the database fails.
pub async fn load(
    mut conn: &AsyncPgConnection,
    statement: Sql<'_, Columns>,
) -> Result<Vec<Stored>, ApiError> {
    let rows: Vec<Row> = statement.load(&mut conn).await?;
    Ok(rows.into_iter().map(from_row).collect())
}

/// The records with these ids, deleted and voided ones included.
///
/// # Errors
/// As the database fails.
pub async fn find(
    conn: &AsyncPgConnection,
    kitroom: Uuid,
    kind: &Kind,
    ids: &[Uuid],
) -> Result<Vec<Stored>, ApiError> {
    load(conn, select(kind, kitroom).sql(" and r.id = any(").bind::<Array<SqlUuid>, _>(ids).sql(")")).await
}

/// How records are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Written {
    /// None of them is there yet.
    New,
    /// They take the place of what is there, if anything is.
    Over,
}

/// Writes records as one statement.
///
/// # Errors
/// As the database fails.
pub async fn write(
    mut conn: &AsyncPgConnection,
    kitroom: Uuid,
    kind: &Kind,
    records: &[&Stored],
    how: Written,
) -> Result<(), ApiError> {
    if records.is_empty() {
        return Ok(());
    }
    let ids: Vec<Uuid> = records.iter().map(|r| r.id).collect();
    let versions: Vec<i64> = records.iter().map(|r| r.version).collect();
    let units: Vec<AsJson<_>> = records.iter().map(|r| AsJson(&r.units)).collect();
    let authors: Vec<Uuid> = records.iter().map(|r| r.created_by).collect();
    let recorded: Vec<DateTime<Utc>> = records.iter().map(|r| r.recorded_at.utc()).collect();
    let deleted: Vec<bool> = records.iter().map(|r| r.deleted).collect();
    let voided: Vec<Option<AsJson<_>>> = records.iter().map(|r| r.voided.as_ref().map(AsJson)).collect();
    let suspect: Vec<bool> = records.iter().map(|r| r.time_suspect).collect();
    let bodies: Vec<AsJson<_>> = records.iter().map(|r| AsJson(&r.body)).collect();
    let statement = sql::<()>("insert into ")
        .sql(kind.table)
        .sql(
            " (kitroom_id, id, version, units, created_by, recorded_at, deleted, voided, time_suspect, body) select ",
        )
        .bind::<SqlUuid, _>(kitroom)
        .sql(", * from unnest(")
        .bind::<Array<SqlUuid>, _>(ids)
        .sql(", ")
        .bind::<Array<BigInt>, _>(versions)
        .sql(", ")
        .bind::<Array<Jsonb>, _>(units)
        .sql(", ")
        .bind::<Array<SqlUuid>, _>(authors)
        .sql(", ")
        .bind::<Array<Timestamptz>, _>(recorded)
        .sql(", ")
        .bind::<Array<Bool>, _>(deleted)
        .sql(", ")
        .bind::<Array<Nullable<Jsonb>>, _>(voided)
        .sql(", ")
        .bind::<Array<Bool>, _>(suspect)
        .sql(", ")
        .bind::<Array<Jsonb>, _>(bodies)
        .sql(match how {
            Written::New => ")",
            Written::Over => {
                ") on conflict (kitroom_id, id) do update set version = excluded.version, units = excluded.units, \
                 deleted = excluded.deleted, voided = excluded.voided, body = excluded.body"
            }
        });
    statement.execute(&mut conn).await?;
    Ok(())
}
