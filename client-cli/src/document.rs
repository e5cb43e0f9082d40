//! Files that a person wrote: a rule sheet, a race. JSON or TOML, with line and column when one does not parse.

use std::fs::File;
use std::io::Read;
use std::path::Path;

use domain::rules::parse::MAX_TEXT;
use domain::rules::place;
use domain::wire::shape::Object;
use serde_json::Value;

use crate::error::{Error, Result};

/// How a file is written.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Format {
    /// JSON.
    Json,
    /// TOML.
    Toml,
}

/// A file's text and how it is written.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Document {
    /// The file as it was named.
    pub name: String,
    /// Its text.
    pub text: String,
    /// How it is written.
    pub format: Format,
}

/// How deep brackets may be nested in a file.
const MAX_BRACKETS: usize = 32;

impl Document {
    /// Reads a file; its ending says how it is written, else its first character.
    ///
    /// # Errors
    /// When it cannot be read, is no text, or is longer than anybody writes by hand.
    pub fn read(path: &Path) -> Result<Self> {
        let name = path.display().to_string();
        let cannot = |error: std::io::Error| Error::usage(format!("{name} cannot be read")).because(error);
        let mut bytes = Vec::new();
        File::open(path)
            .map_err(cannot)?
            .take(MAX_TEXT as u64 + 1)
            .read_to_end(&mut bytes)
            .map_err(cannot)?;
        if bytes.len() > MAX_TEXT {
            return Err(Error::refused(format!("{name} was not read"))
                .because(format!("it is longer than {MAX_TEXT} bytes")));
        }
        let text = String::from_utf8(bytes).map_err(|error| {
            Error::refused(format!("{name} was not read"))
                .because(format!(
                    "it is no UTF-8 text: byte {} is wrong",
                    error.utf8_error().valid_up_to() + 1
                ))
                .hint("save it as UTF-8 text")
        })?;
        // Some editors begin a text with a mark of the byte order.
        let text = text.strip_prefix('\u{feff}').map_or(text.clone(), str::to_owned);
        let ending = path.extension().and_then(|ending| ending.to_str()).map(str::to_ascii_lowercase);
        let format = match ending.as_deref() {
            Some("json") => Format::Json,
            Some("toml") => Format::Toml,
            _ if text.trim_start().starts_with('{') => Format::Json,
            _ => Format::Toml,
        };
        Ok(Self { name, text, format })
    }

    /// Its content as an object.
    ///
    /// # Errors
    /// With line and column, when it does not parse.
    pub fn object(&self) -> Result<Object> {
        let wrong = |place: Option<(usize, usize)>, why: &str| {
            let place =
                place.map_or_else(String::new, |(line, column)| format!("line {line}, column {column}: "));
            Error::refused(format!("{} was not taken in", self.name))
                .because(format!("{place}{why}"))
                .hint("mend it there and try again; nothing was changed")
        };
        if let Some(at) = place::too_deep(&self.text, MAX_BRACKETS) {
            return Err(wrong(Some(place::line_column(&self.text, at)), "brackets are nested too deep"));
        }
        let value = match self.format {
            Format::Json => serde_json::from_str(&self.text).map_err(|error| {
                let words = error.to_string();
                wrong(Some((error.line(), error.column())), words.split(" at line ").next().unwrap_or(&words))
            })?,
            Format::Toml => {
                let table: toml::Table = toml::from_str(&self.text).map_err(|error| {
                    let at = error.span().map(|span| place::line_column(&self.text, span.start));
                    wrong(at, error.message())
                })?;
                of_toml(toml::Value::Table(table))
            }
        };
        match value {
            Value::Object(object) => Ok(object),
            _ => Err(wrong(Some((1, 1)), "it must hold named fields")),
        }
    }

    /// Where a JSON pointer points in the text: line and column.
    #[must_use]
    pub fn place(&self, pointer: &str) -> (usize, usize) {
        let byte = match self.format {
            Format::Json => place::in_json(&self.text, pointer),
            Format::Toml => place::in_toml(&self.text, pointer),
        };
        place::line_column(&self.text, byte)
    }
}

/// Dates and times become texts, as they are in JSON.
fn of_toml(value: toml::Value) -> Value {
    match value {
        toml::Value::String(text) => Value::String(text),
        toml::Value::Integer(number) => Value::from(number),
        toml::Value::Float(number) => Value::from(number),
        toml::Value::Boolean(truth) => Value::Bool(truth),
        toml::Value::Datetime(at) => Value::String(at.to_string()),
        toml::Value::Array(values) => values.into_iter().map(of_toml).collect(),
        toml::Value::Table(table) => Value::Object(table.into_iter().map(|(k, v)| (k, of_toml(v))).collect()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn document(text: &str, format: Format) -> Document {
        Document { name: "race.toml".to_owned(), text: text.to_owned(), format }
    }

    #[test]
    fn object_that_does_not_parse_names_line_and_column() {
        let json = document("{\n  \"name\": \"A\",\n  \"days\" 2\n}", Format::Json).object().unwrap_err();
        assert_eq!(json.why.as_deref(), Some("line 3, column 10: expected `:`"));
        let toml = document("name = \"A\"\ndays = = 2\n", Format::Toml).object().unwrap_err();
        assert!(toml.why.as_deref().unwrap_or_default().starts_with("line 2, column 8: "), "{toml:?}");
        let deep = document(&format!("{{\"a\": {}", "[".repeat(100)), Format::Json).object().unwrap_err();
        assert!(deep.why.as_deref().unwrap_or_default().contains("nested too deep"), "{deep:?}");
    }

    #[test]
    fn object_times_of_toml_are_texts_and_a_field_has_its_place() {
        let document =
            document("name = \"A\"\nstarts_at = 2026-08-28T06:00:00\n[[legs]]\nname = \"B\"\n", Format::Toml);
        let object = document.object().unwrap();
        assert_eq!(object["starts_at"], "2026-08-28T06:00:00");
        assert_eq!(document.place("/legs/0/name").0, 4);
    }
}
