//! Reading a JSON object into a wire type with every wrong field named at once.

use serde::de::{self, DeserializeOwned, Deserializer, Visitor};
use serde::{Serialize, forward_to_deserialize_any};
use serde_json::{Map, Value};

use super::problem::FieldError;

/// A JSON object.
pub type Object = Map<String, Value>;

/// Reads `object` into `T` and back, so that what comes out has canonical spellings and no `null`.
///
/// # Errors
/// Every top-level field that is unknown or wrong, each with its JSON Pointer.
pub fn normalise<T: DeserializeOwned + Serialize>(object: &Object) -> Result<Object, Vec<FieldError>> {
    let typed: T = read(object)?;
    match serde_json::to_value(typed) {
        Ok(Value::Object(mut map)) => {
            map.retain(|_, value| !value.is_null());
            map.values_mut().for_each(crate::sync::canonical::whole_numbers_as_integers);
            Ok(map)
        }
        _ => Err(vec![FieldError::new("", "shape", "cannot be written as a JSON object")]),
    }
}

/// Reads `object` into `T`. `null` counts as absent.
///
/// # Errors
/// Every top-level field that is unknown or wrong, each with its JSON Pointer.
pub fn read<T: DeserializeOwned>(object: &Object) -> Result<T, Vec<FieldError>> {
    // Nearly every object is well: stored ones were read like this before they were stored. Only one that is not is taken
    // apart, which copies it.
    match read_plainly(object) {
        Some(typed) => Ok(typed),
        None => read_explaining(object),
    }
}

/// Reads an object in which nothing is to be left out or to be complained of, without copying it.
fn read_plainly<T: DeserializeOwned>(object: &Object) -> Option<T> {
    let known = field_names::<T>();
    let is_plain = |(key, value): (&String, &Value)| {
        (known.is_empty() || known.contains(&key.as_str())) && !value.is_null() && !has_nul(value)
    };
    if object.iter().all(is_plain) { T::deserialize(object).ok() } else { None }
}

fn read_explaining<T: DeserializeOwned>(object: &Object) -> Result<T, Vec<FieldError>> {
    let known = field_names::<T>();
    let mut errors = Vec::new();
    let mut rest = object.clone();
    rest.retain(|key, value| {
        let is_known = known.is_empty() || known.contains(&key.as_str());
        if !is_known {
            errors.push(FieldError::new(pointer(&[key]), "unknown-field", unknown_field(key, known)));
            return false;
        }
        if let Some(at) = nul_in(value, pointer(&[key])) {
            errors.push(FieldError::new(at, "invalid", "holds the control character U+0000"));
            return false;
        }
        !value.is_null()
    });
    // A failing field is noted, taken out, and the rest read again, so that one answer names them all.
    for _ in 0..=known.len() {
        let failure = match serde_path_to_error::deserialize::<_, T>(Value::Object(rest.clone())) {
            Ok(typed) if errors.is_empty() => return Ok(typed),
            Ok(_) => break,
            Err(failure) => failure,
        };
        let at = pointer_of(failure.path());
        let words = failure.into_inner().to_string();
        let top = at.split('/').nth(1).map(unescape);
        let missing = words.strip_prefix("missing field `").and_then(|rest| rest.strip_suffix('`'));
        match (missing, top) {
            (Some(field), None) => {
                // A field that was taken out as wrong must not be reported as missing as well.
                let at = pointer(&[field]);
                if !errors
                    .iter()
                    .any(|e: &FieldError| e.pointer == at || e.pointer.starts_with(&format!("{at}/")))
                {
                    errors.push(FieldError::new(at, "missing", "is required"));
                }
                break;
            }
            (Some(field), Some(_)) => {
                errors.push(FieldError::new(format!("{at}/{field}"), "missing", "is required"))
            }
            (None, _) => errors.push(FieldError::new(at.clone(), "invalid", words)),
        }
        match at.split('/').nth(1).map(unescape) {
            Some(top) if rest.remove(&top).is_some() => {}
            _ => break,
        }
    }
    if errors.is_empty() {
        errors.push(FieldError::new("", "invalid", "cannot be read"));
    }
    Err(errors)
}

/// Whether a text or a field's name holds U+0000.
fn has_nul(value: &Value) -> bool {
    match value {
        Value::String(text) => text.contains('\0'),
        Value::Array(values) => values.iter().any(has_nul),
        Value::Object(map) => map.iter().any(|(key, value)| key.contains('\0') || has_nul(value)),
        _ => false,
    }
}

/// Where a text or a field's name holds U+0000, which no text in a database can.
fn nul_in(value: &Value, at: String) -> Option<String> {
    match value {
        Value::String(text) => text.contains('\0').then_some(at),
        Value::Array(values) => {
            values.iter().enumerate().find_map(|(n, value)| nul_in(value, format!("{at}/{n}")))
        }
        Value::Object(map) if map.keys().any(|key| key.contains('\0')) => Some(at),
        Value::Object(map) => {
            map.iter().find_map(|(key, value)| nul_in(value, format!("{at}{}", pointer(&[key]))))
        }
        _ => None,
    }
}

fn unknown_field(key: &str, known: &[&str]) -> String {
    let near = known.iter().map(|name| (distance(key, name), name)).min();
    match near {
        Some((d, name)) if d <= 2 => format!("there is no field {key}; did you mean {name}?"),
        _ => format!("there is no field {key} here"),
    }
}

/// Levenshtein distance, for field names of a few dozen bytes.
fn distance(a: &str, b: &str) -> usize {
    if a.len() > 64 || b.len() > 64 {
        return usize::MAX;
    }
    let mut row: Vec<usize> = (0..=b.len()).collect();
    for (i, x) in a.bytes().enumerate() {
        let mut corner = row[0];
        row[0] = i + 1;
        for (j, y) in b.bytes().enumerate() {
            let change = corner + usize::from(x != y);
            corner = row[j + 1];
            row[j + 1] = change.min(row[j] + 1).min(corner + 1);
        }
    }
    row[b.len()]
}

/// A JSON Pointer (RFC 6901) from its parts.
#[must_use]
pub fn pointer(parts: &[&str]) -> String {
    parts.iter().map(|part| format!("/{}", part.replace('~', "~0").replace('/', "~1"))).collect()
}

fn unescape(part: &str) -> String {
    part.replace("~1", "/").replace("~0", "~")
}

fn pointer_of(path: &serde_path_to_error::Path) -> String {
    use serde_path_to_error::Segment;
    path.iter()
        .filter_map(|segment| match segment {
            Segment::Seq { index } => Some(pointer(&[&index.to_string()])),
            Segment::Map { key } => Some(pointer(&[key])),
            Segment::Enum { .. } | Segment::Unknown => None,
        })
        .collect()
}

/// The field names of a struct, as its `Deserialize` asks for them; empty for anything else (a map, a flattened
/// struct).
#[must_use]
pub fn field_names<T: DeserializeOwned>() -> &'static [&'static str] {
    let mut names: &'static [&'static str] = &[];
    let _ = T::deserialize(FieldNames(&mut names));
    names
}

struct FieldNames<'a>(&'a mut &'static [&'static str]);

impl<'de> Deserializer<'de> for FieldNames<'_> {
    type Error = de::value::Error;

    fn deserialize_any<V: Visitor<'de>>(self, _: V) -> Result<V::Value, Self::Error> {
        Err(de::Error::custom("only the names are wanted"))
    }

    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _: &'static str,
        fields: &'static [&'static str],
        _: V,
    ) -> Result<V::Value, Self::Error> {
        *self.0 = fields;
        Err(de::Error::custom("only the names are wanted"))
    }

    forward_to_deserialize_any! {
        bool i8 i16 i32 i64 i128 u8 u16 u32 u64 u128 f32 f64 char str string bytes byte_buf option unit unit_struct
        newtype_struct seq tuple tuple_struct map enum identifier ignored_any
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::units::MassMg;
    use serde::Deserialize;
    use serde_json::json;

    #[derive(Debug, Serialize, Deserialize)]
    struct Sample {
        name: String,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        mass_g: Option<MassMg>,
        #[serde(default, skip_serializing_if = "Option::is_none")]
        parts: Option<Vec<u8>>,
    }

    fn errors(value: Value) -> Vec<(String, String)> {
        let Value::Object(object) = value else { panic!("an object") };
        let failed = normalise::<Sample>(&object).unwrap_err();
        failed.into_iter().map(|e| (e.pointer, e.code)).collect()
    }

    #[test]
    fn normalise_several_wrong_fields_names_each() {
        let found = errors(json!({"name": 3, "mass_g": 0.0005, "parts": [1, "x"], "colour": 1}));
        let mut pointers: Vec<&str> = found.iter().map(|(pointer, _)| pointer.as_str()).collect();
        pointers.sort_unstable();
        assert_eq!(pointers, ["/colour", "/mass_g", "/name", "/parts/1"]);
        assert_eq!(errors(json!({"mass_g": 1})), [("/name".into(), "missing".into())]);
    }

    #[test]
    fn read_plainly_takes_what_is_well_and_leaves_the_rest_to_be_explained() {
        let object = |value: Value| value.as_object().cloned().unwrap();
        let well = object(json!({"name": "shell", "mass_g": 412.5, "parts": [1, 2]}));
        let (plain, explained) = (read_plainly::<Sample>(&well), read_explaining::<Sample>(&well));
        assert_eq!(serde_json::to_value(plain.unwrap()).unwrap(), json!(well));
        assert_eq!(serde_json::to_value(explained.unwrap()).unwrap(), json!(well));
        for other in [
            json!({"name": "shell", "parts": null}),
            json!({"name": "shell", "colour": 1}),
            json!({"name": "a\u{0}b"}),
            json!({"name": 3}),
            json!({"mass_g": 1}),
        ] {
            assert!(read_plainly::<Sample>(&object(other.clone())).is_none(), "{other}");
        }
        assert!(read_explaining::<Sample>(&object(json!({"name": "shell", "parts": null}))).is_ok());
    }

    #[test]
    fn normalise_a_nul_character_is_named_however_deep() {
        assert_eq!(errors(json!({"name": "a\u{0}b"})), [("/name".into(), "invalid".into())]);
        assert_eq!(
            errors(json!({"name": "a", "parts": [1, {"x/y": "\u{0}"}]})),
            [("/parts/1/x~1y".into(), "invalid".into())]
        );
        assert_eq!(errors(json!({"name": {"\u{0}": 1}})), [("/name".into(), "invalid".into())]);
    }

    #[test]
    fn normalise_null_is_absent_and_numbers_have_one_spelling() {
        let Value::Object(object) = json!({"name": "shell", "mass_g": 412.0, "parts": null}) else {
            panic!()
        };
        let out = normalise::<Sample>(&object).unwrap();
        assert_eq!(serde_json::to_string(&out).unwrap(), r#"{"mass_g":412,"name":"shell"}"#);
    }
}
