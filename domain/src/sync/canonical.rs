//! Canonical JSON (RFC 8785) and the hashes over it.

use serde_json::{Value, json};
use sha2::{Digest, Sha256};

use super::op::Action;
use super::record::Stored;

/// The RFC 8785 form of a JSON value.
///
/// # Errors
/// When a number has no exact double (RFC 8785 section 3.1).
pub fn to_vec(value: &Value) -> Result<Vec<u8>, serde_json::Error> {
    serde_json_canonicalizer::to_vec(value)
}

/// SHA-256 over the RFC 8785 form, as received, of what an op asks for: the same op id with another hash is another op.
/// `base_seq` is no part of it. It tells what the sender's replica knew, and a replica whose service was restored knows
/// less when it sends the same op again.
///
/// # Errors
/// When a number has no exact double.
pub fn op_hash(
    kind: &str,
    record_id: &str,
    action: Action,
    payload: Option<&Value>,
) -> Result<[u8; 32], serde_json::Error> {
    let mut form = json!({ "kind": kind, "record_id": record_id, "action": action.name() });
    if let (Some(payload), Some(object)) = (payload, form.as_object_mut()) {
        object.insert(action.payload_field().to_owned(), payload.clone());
    }
    Ok(Sha256::digest(to_vec(&form)?).into())
}

/// The hash of one record as it stands, for digests: the first eight bytes of SHA-256, as a whole number whose sum
/// wraps around.
#[must_use]
pub fn row_hash(kind: &str, record: &Stored) -> i64 {
    let form = json!({
        "kind": kind,
        "id": record.id,
        "version": record.version,
        "deleted": record.deleted,
        "record": (!record.deleted).then(|| record.to_wire()),
    });
    // Stored bodies are canonical already, so their numbers always have exact doubles.
    let bytes = to_vec(&form).unwrap_or_default();
    let hash = Sha256::digest(bytes);
    i64::from_be_bytes([hash[0], hash[1], hash[2], hash[3], hash[4], hash[5], hash[6], hash[7]])
}

/// Writes whole numbers as integers, however deep, so that equal numbers are equal JSON.
pub fn whole_numbers_as_integers(value: &mut Value) {
    match value {
        Value::Number(number) => {
            if let Some(float) = number.as_f64()
                && !number.is_i64()
                && !number.is_u64()
                && float.fract() == 0.0
                && float.abs() <= 9_007_199_254_740_992.0
            {
                *value = Value::from(float as i64);
            }
        }
        Value::Array(values) => values.iter_mut().for_each(whole_numbers_as_integers),
        Value::Object(map) => map.values_mut().for_each(whole_numbers_as_integers),
        _ => {}
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn to_vec_rfc_8785_example_reproduced() {
        // RFC 8785 section 3.2.2 and 3.2.3: the sample input and its canonical form.
        let input: Value = serde_json::from_str(
            r#"{"numbers": [333333333.33333329, 1E30, 4.50, 2e-3, 0.000000000000000000000000001],
                "string": "\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/", "literals": [null, true, false]}"#,
        )
        .unwrap();
        let expected = "{\"literals\":[null,true,false],\"numbers\":[333333333.3333333,1e+30,4.5,0.002,1e-27],\
                        \"string\":\"€$\\u000f\\nA'B\\\"\\\\\\\\\\\"/\"}";
        assert_eq!(String::from_utf8(to_vec(&input).unwrap()).unwrap(), expected);
    }

    #[test]
    fn op_hash_spelling_of_numbers_and_order_of_fields_do_not_matter() {
        let a: Value = serde_json::from_str(r#"{"name":"shell","mass_g":412.0}"#).unwrap();
        let b: Value = serde_json::from_str(r#"{"mass_g":412,"name":"shell"}"#).unwrap();
        let hash = |v: &Value| op_hash("item", "x", Action::Create, Some(v)).unwrap();
        assert_eq!(hash(&a), hash(&b));
    }

    #[test]
    fn op_hash_differs_with_whatever_is_asked_for() {
        let (one, other) = (json!({"name": "shell"}), json!({"name": "vest"}));
        let all = [
            op_hash("item", "x", Action::Create, Some(&one)),
            op_hash("item", "x", Action::Create, Some(&other)),
            op_hash("item", "x", Action::Create, None),
            op_hash("item", "y", Action::Create, Some(&one)),
            op_hash("pocket", "x", Action::Create, Some(&one)),
            op_hash("item", "x", Action::Patch, Some(&one)),
            op_hash("item", "x", Action::Restore, Some(&one)),
        ];
        let different: std::collections::HashSet<[u8; 32]> = all.into_iter().map(Result::unwrap).collect();
        assert_eq!(different.len(), 7);
    }
}
