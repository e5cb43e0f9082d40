//! A page of the feed: one snapshot of the index, the records and the kitroom's last number. The records go out as the
//! text that the database holds; no more of them is in memory than the page.

use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use diesel::sql_types::{Array, BigInt, Bool, Jsonb, Nullable, Text, Timestamptz, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl, SimpleAsyncConnection};
use domain::kinds::KINDS;
use domain::wire::problem::ErrorCode;
use domain::wire::sync::{SCHEMA_VERSION, kind_since};
use futures_util::TryStreamExt as _;
use uuid::Uuid;

use super::cursor::Cursor;
use super::store::{self, Head};
use crate::features::records::listed::{JsonText, Listed, OWN_COLUMNS};
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;
use crate::platform::sql::{Sql, sql};

/// What somebody wants to read.
#[derive(Debug, Clone)]
pub struct Question {
    /// The kitroom.
    pub kitroom: Uuid,
    /// Who asks.
    pub account: Uuid,
    /// After what; none for the beginning.
    pub cursor: Option<Cursor>,
    /// What the reader was told is stored.
    pub ack: Option<Cursor>,
    /// The version of the schema that the reader knows.
    pub schema: i32,
    /// The most changes.
    pub limit: i64,
    /// The most bytes of them; a record alone is always given.
    pub bytes: usize,
}

/// How the changes are written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Shape {
    /// As the elements of an array.
    Elements,
    /// As lines of a stream.
    Lines,
}

/// A page.
#[derive(Debug)]
pub struct Page {
    /// How far the kitroom has come in this snapshot.
    pub head: Head,
    /// The changes, written.
    pub text: String,
    /// How many.
    pub changes: i64,
    /// Where to go on.
    pub next: Cursor,
    /// Whether there is more in this snapshot.
    pub has_more: bool,
}

impl Page {
    /// Whether a reader gets anything from it.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.changes == 0 && !self.has_more
    }
}

/// Reads a page in a snapshot of its own, on a connection that is given back before anything is sent.
///
/// # Errors
/// `not-found`, `epoch-changed`, `cursor-expired`, or as the database fails.
pub async fn find_page(pool: &Pool, question: &Question, shape: Shape) -> Result<Page, ApiError> {
    let mut conn = db::connection(pool).await?;
    conn.build_transaction()
        .repeatable_read()
        .read_only()
        .run(async |conn| find(conn, question, shape).await)
        .await
}

async fn find(conn: &mut AsyncPgConnection, question: &Question, shape: Shape) -> Result<Page, ApiError> {
    let head = store::find_head(conn, question.kitroom, question.account).await?;
    for given in [&question.cursor, &question.ack].into_iter().flatten() {
        store::check_history(conn, &head, given).await?;
    }
    let schema = question.schema.min(SCHEMA_VERSION);
    let cursor = match &question.cursor {
        None => Cursor::start(question.kitroom, head.epoch, schema, head.seq),
        Some(cursor) if cursor.place().has_expired(head.floor) => {
            let words = "changes that you have not seen are no longer kept one by one; read the kitroom again from its \
                         beginning, and drop what does not come again";
            return Err(ApiError::new(ErrorCode::CursorExpired, words));
        }
        Some(cursor) => cursor.clone(),
    };
    let lacked = kinds_lacked(cursor.schema, schema);
    if !lacked.is_empty() && cursor.seq > 0 {
        let scan = Scan {
            after: cursor.backfilled.unwrap_or(0),
            up_to: cursor.seq,
            kinds: Some(lacked),
            deleted_after: cursor.seq,
        };
        let read = scan.read(conn, question, shape).await?;
        if read.changes > 0 {
            let next = moved(conn, &cursor, cursor.seq, &head).await?.known_to(schema, read.cut_after);
            let has_more = read.cut_after.is_some() || next.seq < head.seq;
            return Ok(Page { head, text: read.text, changes: read.changes, next, has_more });
        }
    }
    let cursor = cursor.known_to(schema, None);
    let scan = Scan {
        after: cursor.seq,
        up_to: head.seq,
        kinds: None,
        deleted_after: cursor.place().deletions_after(),
    };
    let read =
        if scan.after < scan.up_to { scan.read(conn, question, shape).await? } else { Read::default() };
    let next = moved(conn, &cursor, read.cut_after.unwrap_or(head.seq), &head).await?;
    Ok(Page { head, text: read.text, changes: read.changes, next, has_more: read.cut_after.is_some() })
}

/// The cursor at a later change of this snapshot.
async fn moved(
    conn: &mut AsyncPgConnection,
    cursor: &Cursor,
    seq: i64,
    head: &Head,
) -> Result<Cursor, ApiError> {
    // Then its mark is that of the last change, and was just compared.
    if cursor.place().seen == head.seq {
        return Ok(cursor.moved_within(seq));
    }
    let mark = store::find_mark(conn, cursor.kitroom, head.seq).await?;
    Ok(cursor.moved_to(seq, head.seq, mark.as_deref()))
}

/// The kinds that came after one version of the schema and up to another.
fn kinds_lacked(known: i32, now: i32) -> Vec<&'static str> {
    let later = KINDS.iter().filter(|kind| (known + 1..=now).contains(&kind_since(kind.name)));
    later.map(|kind| kind.name).collect()
}

/// A part of the index, in the order of the changes.
struct Scan {
    after: i64,
    up_to: i64,
    /// Of these kinds only.
    kinds: Option<Vec<&'static str>>,
    /// Deleted records are given from here on.
    deleted_after: i64,
}

#[derive(Debug, Default)]
struct Read {
    text: String,
    changes: i64,
    /// The last change that found room, when there is another.
    cut_after: Option<i64>,
}

type Columns = (
    Text,
    SqlUuid,
    BigInt,
    Bool,
    Nullable<SqlUuid>,
    Nullable<Timestamptz>,
    Nullable<Jsonb>,
    Nullable<Bool>,
    Nullable<Bool>,
    Nullable<Jsonb>,
);
type Row = (
    String,
    Uuid,
    i64,
    bool,
    Option<Uuid>,
    Option<DateTime<Utc>>,
    Option<JsonText>,
    Option<bool>,
    Option<bool>,
    Option<JsonText>,
);

impl Scan {
    fn statement(&self, kitroom: Uuid, limit: i64) -> Sql<'static, Columns> {
        let mut statement =
            sql("select i.kind, i.record_id, i.seq, i.deleted, f.* from sync_index i left join lateral (");
        for (at, kind) in KINDS.iter().enumerate() {
            // Where the kind is another, the database does not even look.
            statement = statement
                .sql(if at == 0 { "select " } else { " union all select " })
                .sql(OWN_COLUMNS)
                .sql(" from ")
                .sql(kind.table)
                .sql(" r where i.kind = '")
                .sql(kind.name)
                .sql("' and not i.deleted and r.kitroom_id = i.kitroom_id and r.id = i.record_id");
        }
        statement = statement
            .sql(") f on true where i.kitroom_id = ")
            .bind::<SqlUuid, _>(kitroom)
            .sql(" and i.seq > ")
            .bind::<BigInt, _>(self.after)
            .sql(" and i.seq <= ")
            .bind::<BigInt, _>(self.up_to)
            .sql(" and (not i.deleted or i.seq > ")
            .bind::<BigInt, _>(self.deleted_after)
            .sql(")");
        if let Some(kinds) = &self.kinds {
            statement = statement.sql(" and i.kind = any(").bind::<Array<Text>, _>(kinds.clone()).sql(")");
        }
        statement.sql(" order by i.seq limit ").bind::<BigInt, _>(limit)
    }

    async fn read(
        &self,
        conn: &mut AsyncPgConnection,
        question: &Question,
        shape: Shape,
    ) -> Result<Read, ApiError> {
        // A plan is kept for long. One that was made while a table was small would go on reading all of it for each row.
        conn.batch_execute("set local enable_seqscan = off").await?;
        // One more than is wanted tells whether there is one.
        let statement = self.statement(question.kitroom, question.limit + 1);
        let mut rows = statement.load_stream::<Row>(conn).await?;
        let mut read = Read::default();
        let mut last = self.after;
        while let Some(row) = rows.try_next().await? {
            let (seq, before) = (row.2, read.text.len());
            if read.changes < question.limit {
                write_change(&mut read.text, row, shape, before == 0)?;
            }
            if read.changes == question.limit || (read.text.len() > question.bytes && read.changes > 0) {
                read.text.truncate(before);
                read.cut_after = Some(last);
                break;
            }
            read.changes += 1;
            last = seq;
        }
        Ok(read)
    }
}

fn write_change(out: &mut String, row: Row, shape: Shape, first: bool) -> Result<(), ApiError> {
    let (kind, id, seq, deleted, created_by, recorded_at, voided, time_suspect, is_fact, body) = row;
    *out += match shape {
        Shape::Elements if first => "{",
        Shape::Elements => ",{",
        Shape::Lines => r#"{"line":"change","#,
    };
    // Writing to a string does not fail. The kind is a word of the registry: nothing to escape.
    let _ = write!(out, r#""seq":{seq},"kind":"{kind}","id":"{id}","deleted":{deleted}"#);
    if !deleted {
        let (Some(author), Some(at), Some(suspect), Some(is_fact), Some(body)) =
            (created_by, recorded_at, time_suspect, is_fact, body)
        else {
            return Err(ApiError::internal("the index names a record that is not there", id));
        };
        *out += r#","record":"#;
        Listed::new(id, seq, (author, at, voided, suspect, is_fact, body), None)?.write(out);
    }
    *out += if shape == Shape::Lines { "}\n" } else { "}" };
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn kinds_lacked_by_a_reader_of_this_version_are_none() {
        assert!(kinds_lacked(SCHEMA_VERSION, SCHEMA_VERSION).is_empty());
        assert_eq!(kinds_lacked(0, SCHEMA_VERSION).len(), KINDS.len());
        assert!(kinds_lacked(SCHEMA_VERSION, SCHEMA_VERSION - 1).is_empty());
    }
}
