//! Records of a page. A page is mostly JSON that the database holds as it is answered; reading it into values only to
//! write it again costs more than all the rest, so its text is passed on. The fields are those of
//! [`Shown::to_wire`](super::resource::Shown::to_wire).

use std::fmt::Write as _;

use chrono::{DateTime, Utc};
use diesel::deserialize::{self, FromSql, FromSqlRow};
use diesel::pg::{Pg, PgValue};
use diesel::sql_types::{BigInt, Bool, Jsonb, Nullable, Timestamptz, Uuid as SqlUuid};
use diesel_async::{AsyncPgConnection, RunQueryDsl};
use domain::time::Timestamp;
use uuid::Uuid;

use crate::platform::error::ApiError;
use crate::platform::jsonb;
use crate::platform::sql::Sql;

macro_rules! own_columns {
    () => {
        "r.created_by, r.recorded_at, r.voided, r.time_suspect, not jsonb_exists(r.units, ''), r.body"
    };
}

/// What a record has beside its id and its version, in the order of [`Own`].
pub const OWN_COLUMNS: &str = own_columns!();

/// The columns of a listed record, before what is derived for it.
pub const COLUMNS: &str = concat!("r.id, r.version, ", own_columns!());

/// The SQL types of [`COLUMNS`], and of what is derived.
pub type Columns =
    (SqlUuid, BigInt, SqlUuid, Timestamptz, Nullable<Jsonb>, Bool, Bool, Jsonb, Nullable<Jsonb>);

type Row = (Uuid, i64, Uuid, DateTime<Utc>, Option<JsonText>, bool, bool, JsonText, Option<JsonText>);

/// The author, the time, what voided it, whether its time is suspect, whether it is a fact, the body: as
/// [`OWN_COLUMNS`] gives them.
pub type Own = (Uuid, DateTime<Utc>, Option<JsonText>, bool, bool, JsonText);

/// JSON as the database writes it out.
#[derive(Debug, Clone, PartialEq, Eq, FromSqlRow)]
pub struct JsonText(String);

impl FromSql<Jsonb, Pg> for JsonText {
    fn from_sql(value: PgValue<'_>) -> deserialize::Result<Self> {
        Ok(Self(std::str::from_utf8(jsonb::text(value.as_bytes())?)?.to_owned()))
    }
}

impl JsonText {
    /// The text.
    #[must_use]
    pub fn as_str(&self) -> &str {
        &self.0
    }

    /// The fields of an object, without its braces.
    fn fields(&self) -> Option<&str> {
        Some(self.0.strip_prefix('{')?.strip_suffix('}')?.trim())
    }
}

/// A record of a page.
#[derive(Debug, Clone)]
pub struct Listed {
    /// Its id.
    pub id: Uuid,
    version: i64,
    created_by: Uuid,
    recorded_at: Timestamp,
    voided: Option<JsonText>,
    time_suspect: bool,
    /// Whether it is a fact, which has no merge units.
    is_fact: bool,
    body: JsonText,
    derived: Option<JsonText>,
}

/// Runs a statement that answers [`Columns`].
///
/// # Errors
/// As the database fails; `internal` when a stored body is no object, which no statement of ours writes.
pub async fn load(
    conn: &mut AsyncPgConnection,
    statement: Sql<'_, Columns>,
) -> Result<Vec<Listed>, ApiError> {
    let rows: Vec<Row> = statement.load(conn).await?;
    rows.into_iter()
        .map(|(id, version, created_by, at, voided, time_suspect, is_fact, body, derived)| {
            Listed::new(id, version, (created_by, at, voided, time_suspect, is_fact, body), derived)
        })
        .collect()
}

impl Listed {
    /// A record and what is derived for it.
    ///
    /// # Errors
    /// `internal` when its body is no object, which no statement of ours writes.
    pub fn new(id: Uuid, version: i64, own: Own, derived: Option<JsonText>) -> Result<Self, ApiError> {
        let (created_by, at, voided, time_suspect, is_fact, body) = own;
        if body.fields().is_none() {
            return Err(ApiError::internal("a stored record cannot be read", id));
        }
        let recorded_at = Timestamp::from_utc(at);
        Ok(Self { id, version, created_by, recorded_at, voided, time_suspect, is_fact, body, derived })
    }

    /// Writes it as a JSON object.
    pub fn write(&self, out: &mut String) {
        let Self { id, version, created_by, recorded_at, .. } = self;
        // Writing to a string does not fail.
        let _ = write!(
            out,
            r#"{{"id":"{id}","version":{version},"created_by":"{created_by}","recorded_at":"{recorded_at}""#
        );
        if let Some(voided) = &self.voided {
            *out += r#","voided":"#;
            *out += &voided.0;
        }
        if self.time_suspect {
            *out += r#","time_suspect":true"#;
        }
        if self.is_fact {
            let _ = write!(out, r#","recorded_by":"{created_by}""#);
        }
        let objects = [Some(&self.body), self.derived.as_ref()].into_iter().flatten();
        for fields in objects.filter_map(JsonText::fields).filter(|fields| !fields.is_empty()) {
            out.push(',');
            *out += fields;
        }
        out.push('}');
    }
}

/// The answer: `{"items": [...], "next_cursor": ...}`.
#[must_use]
pub fn page(rows: &[Listed], next_cursor: Option<&str>) -> String {
    let text = |json: &JsonText| json.0.len();
    let size = |row: &Listed| 256 + text(&row.body) + row.derived.as_ref().map_or(0, text);
    let mut out = String::with_capacity(64 + rows.iter().map(size).sum::<usize>());
    out += r#"{"items":["#;
    for (at, row) in rows.iter().enumerate() {
        if at > 0 {
            out.push(',');
        }
        row.write(&mut out);
    }
    out += r#"],"next_cursor":"#;
    match next_cursor {
        // Letters and digits of base64url: nothing to escape.
        Some(next) => {
            let _ = write!(out, "\"{next}\"");
        }
        None => out += "null",
    }
    out.push('}');
    out
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::features::records::resource::Shown;
    use domain::sync::record::Stored;
    use serde_json::{Value, json};

    fn listed(body: &Value, derived: Option<&Value>, voided: Option<&Value>, is_fact: bool) -> Listed {
        let text = |value: &Value| JsonText(value.to_string());
        Listed {
            id: Uuid::from_u128(7),
            version: 3,
            created_by: Uuid::from_u128(9),
            recorded_at: "2026-03-01T10:00:00.125Z".parse().unwrap(),
            voided: voided.map(text),
            time_suspect: voided.is_some(),
            is_fact,
            body: text(body),
            derived: derived.map(text),
        }
    }

    #[test]
    fn page_says_what_the_single_records_say() {
        let body = json!({ "name": "vest \"A\" é", "mass": { "a": [1, 2.5] } });
        let derived = json!({ "mass_g": 412, "mass_n": 1 });
        let voided =
            json!({ "at": "2026-03-02T10:00:00Z", "by": Uuid::from_u128(9), "reason": "typed wrong" });
        let rows = [
            listed(&body, Some(&derived), None, false),
            listed(&body, None, Some(&voided), true),
            listed(&json!({}), None, None, true),
        ];
        let answer: Value = serde_json::from_str(&page(&rows, Some("abc-_"))).unwrap();
        assert_eq!(answer["next_cursor"], json!("abc-_"));
        let (Value::Object(body), Value::Object(derived)) = (body, derived) else { panic!() };
        let stored = Stored {
            id: rows[0].id,
            version: 3,
            units: ["", "name"]
                .map(|unit| (unit.to_owned(), serde_json::from_value(json!({ "s": 3 })).unwrap()))
                .into(),
            created_by: rows[0].created_by,
            recorded_at: rows[0].recorded_at,
            deleted: false,
            voided: None,
            time_suspect: false,
            body,
        };
        let shown = Shown { stored, derived: Some(derived) };
        assert_eq!(answer["items"][0], Value::Object(shown.to_wire()));
        assert_eq!(answer["items"][1]["voided"]["reason"], json!("typed wrong"));
        assert_eq!(answer["items"][1]["recorded_by"], json!(Uuid::from_u128(9)));
        assert_eq!(answer["items"][1]["time_suspect"], json!(true));
        assert_eq!(answer["items"][2].as_object().unwrap().len(), 5);
    }

    #[test]
    fn page_without_rows_is_whole() {
        assert_eq!(page(&[], None), r#"{"items":[],"next_cursor":null}"#);
    }
}
