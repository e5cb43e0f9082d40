//! The JSON Schema (draft 2020-12) of a rule sheet, for editors and for those who write sheets by program. It states
//! what can be stated about each rule by itself; [`super::validate()`] also looks at rules together.

use serde_json::{Value, json};

use super::attributes::{REGISTRY, Type};
use super::model::{MAX_COUNT, MAX_NUMBER, MAX_OPTIONS, MAX_RULES, MAX_TESTS};
use crate::item_kind::ItemKind;

/// The schema.
#[must_use]
pub fn schema() -> Value {
    json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "Rule sheet",
        "description": "A race's mandatory kit as data. The organiser's wording alone counts.",
        "type": "object",
        "additionalProperties": false,
        "required": ["name", "rules"],
        "properties": {
            "name": {"type": "string", "minLength": 1, "maxLength": 200},
            "edition": {"type": "string", "maxLength": 100},
            "rules": {"type": "array", "maxItems": MAX_RULES, "items": {"$ref": "#/$defs/rule"}},
        },
        "$defs": {
            "kinds": {"type": "array", "items": {"enum": kinds()}, "description": "Any of these; left out, every kind."},
            "tests": {"type": "array", "maxItems": MAX_TESTS, "items": {"oneOf": tests()}},
            "attribute": {"enum": REGISTRY.iter().map(|a| a.name).collect::<Vec<_>>()},
            "rule": {"oneOf": rules()},
        },
    })
}

fn kinds() -> Vec<&'static str> {
    ItemKind::ALL.iter().map(|k| k.name()).collect()
}

fn tests() -> Vec<Value> {
    let one = |attribute: &super::attributes::Attribute| {
        let unit = if attribute.unit.is_empty() { String::new() } else { format!(", in {}", attribute.unit) };
        let (ops, value) = match attribute.of {
            Type::Number => (
                json!([">=", "<=", "=", "!="]),
                json!({"type": "number", "minimum": attribute.low as i64, "maximum": attribute.high as i64}),
            ),
            Type::Boolean => (json!(["=", "!="]), json!({"type": "boolean"})),
            Type::Text => (json!(["=", "!="]), json!({"type": "string", "minLength": 1, "maxLength": 100})),
            Type::Date => (
                json!([">=", "<=", "=", "!="]),
                json!({"oneOf": [
                    {"type": "string", "format": "date"},
                    {"type": "object", "additionalProperties": false, "required": ["race"],
                     "properties": {"race": {"enum": ["start_on", "finish_on"]}}},
                ]}),
            ),
            Type::Size => (
                json!([">=", "<=", "=", "!="]),
                json!({"type": "string", "pattern": "^\\s*[0-9.]+\\s*[xX\u{d7}]\\s*[0-9.]+\\s*$"}),
            ),
        };
        let described = format!("{}{unit}", attribute.words);
        let test = |ops: Value, value: Value| {
            json!({
                "type": "object", "additionalProperties": false, "required": ["attribute", "op", "value"],
                "description": described,
                "properties": {"attribute": {"const": attribute.name}, "op": {"enum": ops}, "value": value},
            })
        };
        let mut all = vec![test(ops, value.clone())];
        if matches!(attribute.of, Type::Number | Type::Text) {
            all.push(test(
                json!(["in"]),
                json!({"type": "array", "minItems": 1, "maxItems": 64, "items": value}),
            ));
        }
        all
    };
    REGISTRY.iter().flat_map(one).collect()
}

fn rules() -> Vec<Value> {
    let kinds = json!({"$ref": "#/$defs/kinds"});
    let tests = json!({"$ref": "#/$defs/tests"});
    let number =
        |low: f64, high: f64| json!({"type": "number", "minimum": low as i64, "maximum": high as i64});
    vec![
        rule(
            "count",
            "So many units that pass every test.",
            &[],
            json!({
                "kinds": kinds, "where": tests, "count": {"type": "integer", "minimum": 1, "maximum": MAX_COUNT},
            }),
        ),
        rule(
            "total",
            "A sum over what is carried.",
            &["measure"],
            json!({
                "kinds": kinds, "where": tests, "measure": {"$ref": "#/$defs/attribute"},
                "at_least": number(0.0, MAX_NUMBER), "at_most": number(0.0, MAX_NUMBER),
                "reserve": {"type": "boolean"}, "times_days": {"type": "boolean"},
            }),
        ),
        rule("burn", "Light for the dark hours times 1 + margin.", &[], json!({"margin": number(0.0, 10.0)})),
        rule(
            "any_of",
            "At least one option, of which every rule holds.",
            &["options"],
            json!({
                "options": {"type": "array", "minItems": 1, "maxItems": MAX_OPTIONS, "items": {
                    "type": "array", "minItems": 1, "maxItems": MAX_OPTIONS, "items": {"$ref": "#/$defs/rule"}}},
            }),
        ),
        rule(
            "pair",
            "A partner with the same attribute for each unit that serves another rule.",
            &["for", "kinds", "same_attribute"],
            json!({
                "for": {"type": "string"}, "kinds": {"$ref": "#/$defs/kinds", "minItems": 1},
                "same_attribute": {"$ref": "#/$defs/attribute"},
            }),
        ),
        rule(
            "forbid",
            "Nothing of these kinds that passes every test may be carried.",
            &[],
            json!({
                "kinds": kinds, "where": tests,
            }),
        ),
    ]
}

fn rule(need: &str, description: &str, required: &[&str], own: Value) -> Value {
    let mut properties = json!({
        "id": {"type": "string", "minLength": 1, "maxLength": 100, "description": "Unique in the sheet."},
        "title": {"type": "string", "maxLength": 200},
        "wording": {"type": "string", "maxLength": 4000, "description": "The rule as the organiser wrote it."},
        "need": {"const": need},
        "safety": {"type": "boolean", "description": "Whether a value too close to the limit is NOT SHOWN; left out, the attribute decides."},
        "when": {"type": "string", "minLength": 1, "maxLength": 60, "default": "always", "description": "`always`, or a set that the organiser switches on."},
        "scope": {"enum": ["start", "at_all_times", "night", "leg"], "default": "start"},
        "shareable": {"type": "boolean", "default": false},
        "max_age_d": {"type": "integer", "minimum": 0, "maximum": 36500},
        "evidence_wanted": {"enum": ["measured", "predicted", "label", "declared"]},
        "per": {"enum": ["runner", "team"], "default": "runner"},
        "times_days": {"const": false},
    });
    if let (Some(all), Value::Object(own)) = (properties.as_object_mut(), own) {
        all.extend(own);
    }
    let required: Vec<&str> = ["id", "need"].iter().chain(required).copied().collect();
    let mut rule = json!({
        "type": "object", "description": description, "additionalProperties": false,
        "required": required, "properties": properties,
    });
    if need == "total" {
        rule["anyOf"] = json!([{"required": ["at_least"]}, {"required": ["at_most"]}]);
    }
    rule
}
