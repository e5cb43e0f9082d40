//! Rule sheets as text: what is read, what is refused and where, the published schema, and what changed.

use domain::rules::schema::schema;
use domain::rules::{Problem, Rule, RuleSheet, diff, parse_json, parse_toml, validate};
use serde_json::{Value as Json, json};

use crate::rules_support::sheet;

const SCHEMA: &str = include_str!("../../../fixtures/rules/rule_sheet.schema.json");
const PATTERNS: &str = include_str!("../../../fixtures/rules/patterns.json");
const TOML: &str = include_str!("../../../fixtures/rules/race_a.toml");
const JSON: &str = include_str!("../../../fixtures/rules/race_a.json");

fn refused(rules: Json) -> Vec<Problem> {
    parse_json(&json!({"name": "race A", "rules": rules}).to_string()).unwrap_err()
}

/// The one problem of a sheet with one rule.
fn problem(rule: Json) -> Problem {
    let all = refused(json!([rule]));
    assert_eq!(all.len(), 1, "{all:?}");
    all[0].clone()
}

#[test]
fn parse_toml_and_json_same_sheet() {
    let (a, b) = (parse_toml(TOML).unwrap(), parse_json(JSON).unwrap());
    assert_eq!(a, b);
    assert!(a.rules.len() >= 8);
    // Written and read again it is the same, in one form.
    let text = serde_json::to_string(&a).unwrap();
    assert_eq!(serde_json::from_str::<RuleSheet>(&text).unwrap(), a);
    assert_eq!(serde_json::to_value(&a).unwrap(), serde_json::from_str::<Json>(JSON).unwrap());
}

#[test]
fn parse_syntax_error_line_and_column_named() {
    let text = "{\"name\": \"race A\",\n \"rules\": [\n  {\"id\": \"a\", \"need\": \"count\", \"kinds\": [\"whistel\"]}\n ]}";
    let problems = parse_json(text).unwrap_err();
    assert_eq!(problems[0].place.map(|p| p.0), Some(3));
    assert!(problems[0].message.contains("unknown variant `whistel`"), "{problems:?}");
    let problems = parse_json("{\"name\": \"race A\",\n \"rules\": [}").unwrap_err();
    assert_eq!(problems[0].place, Some((2, 12)));
    let problems =
        parse_toml("name = 'race A'\n[[rules]]\nid = 'a'\nneed = 'count'\nkind = 'whistle'\n").unwrap_err();
    assert_eq!(problems[0].place, Some((5, 1)));
    assert!(problems[0].message.contains("unknown field `kind`"), "{problems:?}");
}

#[test]
fn parse_wrong_attribute_place_named_and_near_name_suggested() {
    let text = "name = 'race A'\n[[rules]]\nid = 'shell'\nneed = 'count'\nkinds = ['shell_jacket']\nwhere = [\n  { attribute = 'hood', op = '=', value = true },\n  { attribute = 'head', op = '>=', value = 10000 },\n]\n";
    let problems = parse_toml(text).unwrap_err();
    assert_eq!(problems.len(), 1);
    assert_eq!(problems[0].pointer, "/rules/0/where/1/attribute");
    assert_eq!(problems[0].place, Some((8, 17)));
    assert_eq!(
        problems[0].to_string(),
        "line 8, column 17: unknown attribute `head`; did you mean `head_mm`? (at /rules/0/where/1/attribute)"
    );
    let text = "{\"name\": \"race A\", \"rules\": [\n{\"id\": \"a\", \"need\": \"count\", \"kinds\": [\"vest\"],\n \"where\": [{\"attribute\": \"lumen\", \"op\": \">=\", \"value\": 5}]}]}";
    assert_eq!(parse_json(text).unwrap_err()[0].place, Some((3, 26)));
}

#[test]
fn validate_each_wrong_rule_named_at_its_place() {
    let count = |where_: Json| json!({"id": "a", "need": "count", "kinds": ["head_lamp"], "where": where_});
    let cases = [
        (
            count(json!([{"attribute": "lumens", "op": ">=", "value": -1}])),
            "/rules/0/where/0/value",
            "no item can ever",
        ),
        (
            count(json!([{"attribute": "lumens", "op": ">=", "value": 1e300}])),
            "/rules/0/where/0/value",
            "no item can ever",
        ),
        (
            count(json!([{"attribute": "lumens", "op": ">=", "value": 0.0005}])),
            "/rules/0/where/0/value",
            "3 decimals",
        ),
        (
            count(json!([{"attribute": "lumens", "op": ">=", "value": "5"}])),
            "/rules/0/where/0/value",
            "takes a number in lm",
        ),
        (
            count(json!([{"attribute": "hood", "op": ">=", "value": true}])),
            "/rules/0/where/0/value",
            "has no order",
        ),
        (
            count(json!([{"attribute": "hood", "op": "=", "value": 1}])),
            "/rules/0/where/0/value",
            "true or false",
        ),
        (
            count(json!([{"attribute": "size_mm", "op": ">=", "value": "14x"}])),
            "/rules/0/where/0/value",
            "two sides",
        ),
        (
            count(json!([{"attribute": "lumens", "op": "in", "value": []}])),
            "/rules/0/where/0/value",
            "empty list",
        ),
        (
            count(json!([{"attribute": "lumens", "op": ">=", "value": [5]}])),
            "/rules/0/where/0/value",
            "`in` only",
        ),
        (
            count(
                json!([{"attribute": "lumens", "op": ">=", "value": 200}, {"attribute": "lumens", "op": "<=", "value": 100}]),
            ),
            "/rules/0/where/1",
            "no item can ever meet this",
        ),
        (
            count(
                json!([{"attribute": "red", "op": "=", "value": true}, {"attribute": "red", "op": "!=", "value": true}]),
            ),
            "/rules/0/where/1",
            "no item can ever meet this",
        ),
        (
            count(
                json!([{"attribute": "cell_type", "op": "in", "value": ["X1", "X2"]}, {"attribute": "cell_type", "op": "=", "value": "x3"}]),
            ),
            "/rules/0/where/1",
            "no item can ever meet this",
        ),
        (json!({"id": "a", "need": "count"}), "/rules/0/kinds", "every item is meant"),
        (
            json!({"id": "a", "need": "count", "kinds": ["vest"], "count": 0}),
            "/rules/0/count",
            "from 1 to 1000",
        ),
        (
            json!({"id": "a", "need": "count", "kinds": ["vest"], "count": 100_000}),
            "/rules/0/count",
            "from 1 to 1000",
        ),
        (json!({"id": " ", "need": "count", "kinds": ["vest"]}), "/rules/0/id", "empty"),
        (
            json!({"id": "a", "need": "count", "kinds": ["vest"], "margin": 0.2}),
            "/rules/0/margin",
            "does not belong to need `count`",
        ),
        (
            json!({"id": "a", "need": "total", "kinds": ["food"], "at_least": 5}),
            "/rules/0",
            "needs the field `measure`",
        ),
        (
            json!({"id": "a", "need": "total", "kinds": ["food"], "measure": "hood", "at_least": 5}),
            "/rules/0/measure",
            "no total",
        ),
        (
            json!({"id": "a", "need": "total", "kinds": ["food"], "measure": "energy_kcal"}),
            "/rules/0",
            "`at_least` or `at_most`",
        ),
        (
            json!({"id": "a", "need": "total", "kinds": ["food"], "measure": "mass_g", "at_least": 5, "at_most": 4}),
            "/rules/0/at_most",
            "nothing can ever meet it",
        ),
        (json!({"id": "a", "need": "burn", "margin": -0.1}), "/rules/0/margin", "from 0 to 10"),
        (json!({"id": "a", "need": "any_of", "options": []}), "/rules/0/options", "from 1 to 16"),
        (json!({"id": "a", "need": "any_of", "options": [[]]}), "/rules/0/options/0", "from 1 to 16"),
        (
            json!({"id": "a", "need": "pair", "for": "b", "kinds": ["spare_cell"], "same_attribute": "cell_type"}),
            "/rules/0/for",
            "`b`",
        ),
        (
            json!({"id": "a", "need": "pair", "for": "a", "kinds": ["spare_cell"], "same_attribute": "cell_type"}),
            "/rules/0/for",
            "not a rule with need `count`",
        ),
        (json!({"id": "a", "need": "forbid"}), "/rules/0/kinds", "every item is meant"),
        (json!({"id": "a", "need": "burn", "times_days": true}), "/rules/0/times_days", "only a total"),
        (
            json!({"id": "a", "need": "burn", "evidence_wanted": "none"}),
            "/rules/0/evidence_wanted",
            "asks for nothing",
        ),
    ];
    for (rule, pointer, words) in cases {
        let found = problem(rule.clone());
        assert_eq!(found.pointer, pointer, "{rule}: {found}");
        assert!(found.message.contains(words), "{rule}: {found}");
        assert!(found.place.is_some(), "{rule}: {found}");
    }
}

#[test]
fn validate_two_rules_of_one_id_refused() {
    let whistle = json!({"id": "a", "need": "count", "kinds": ["whistle"]});
    let found = refused(json!([whistle, {"id": "b", "need": "any_of", "options": [[whistle]]}]));
    assert_eq!(found.len(), 1);
    assert_eq!(found[0].pointer, "/rules/1/options/0/0/id");
    assert!(found[0].message.contains("two rules have the id `a`"));
}

#[test]
fn parse_toml_nan_and_infinity_refused() {
    for value in ["nan", "inf", "-inf"] {
        let text = format!(
            "name = 'race A'\n[[rules]]\nid = 'a'\nneed = 'total'\nmeasure = 'mass_g'\nat_most = {value}\n"
        );
        let problems = parse_toml(&text).unwrap_err();
        assert_eq!((problems[0].pointer.as_str(), problems[0].place), ("/rules/0/at_most", Some((6, 11))));
        assert_eq!(problems[0].message, "must be a finite number");
    }
}

fn nested(depth: usize) -> String {
    let mut rule = "{\"id\": \"leaf\", \"need\": \"count\", \"kinds\": [\"whistle\"]}".to_owned();
    for level in 0..depth {
        rule = format!("{{\"id\": \"r{level}\", \"need\": \"any_of\", \"options\": [[{rule}]]}}");
    }
    format!("{{\"name\": \"race A\", \"rules\": [{rule}]}}")
}

#[test]
fn parse_any_of_four_deep_read_and_deeper_refused() {
    assert!(parse_json(&nested(4)).is_ok());
    for depth in [5, 6, 8, 100, 10_000] {
        let problems = parse_json(&nested(depth)).unwrap_err();
        assert!(problems[0].message.contains("4 deep"), "{depth}: {problems:?}");
        assert!(problems[0].place.is_some());
    }
    // The same in TOML, by inline tables, and tables made by dots.
    let toml = |depth: usize| {
        let mut rule = "{ id = 'leaf', need = 'count', kinds = ['whistle'] }".to_owned();
        for level in 0..depth {
            rule = format!("{{ id = 'r{level}', need = 'any_of', options = [[{rule}]] }}");
        }
        format!("name = 'race A'\nrules = [{rule}]\n")
    };
    assert!(parse_toml(&toml(4)).is_ok());
    for depth in [5, 100, 10_000] {
        assert!(parse_toml(&toml(depth)).is_err());
    }
    assert!(parse_toml(&format!("name = 'x'\n{}z = 1\n", "a.".repeat(200_000))).is_err());
    assert!(parse_toml(&format!("name = 'x'\n[{}z]\n", "'a'.".repeat(20))).is_err());
    // And as the body of a request, which is read without the sheet's own reader.
    assert!(serde_json::from_str::<RuleSheet>(&nested(5)).is_err());
    assert!(serde_json::from_str::<RuleSheet>(&nested(100)).is_err());
}

#[test]
fn validate_options_that_multiply_refused() {
    let option = |id: String| json!([{"id": id, "need": "count", "kinds": ["whistle"]}]);
    let choice = |id: &str| {
        let options: Vec<Json> = (0..16).map(|o| option(format!("{id}{o}"))).collect();
        json!({"id": id, "need": "any_of", "options": options})
    };
    let found =
        refused(json!([{"id": "a", "need": "any_of", "options": [[choice("b"), choice("c"), choice("d")]]}]));
    assert!(found[0].message.contains("multiply to more than 256"), "{found:?}");
    let many: Vec<Json> =
        (0..201).map(|i| json!({"id": format!("r{i}"), "need": "count", "kinds": ["whistle"]})).collect();
    assert!(refused(json!(many))[0].message.contains("at most 200"));
}

#[test]
fn schema_published_file_is_current() {
    let now = serde_json::to_string_pretty(&schema()).unwrap() + "\n";
    assert!(
        now == SCHEMA,
        "fixtures/rules/rule_sheet.schema.json differs from what `domain::rules::schema::schema()` gives; it should be:\n{now}"
    );
}

#[test]
fn schema_accepts_what_is_read_and_refuses_what_is_wrong() {
    // The jsonschema crate is the outside judge here: JSON Schema draft 2020-12.
    let validator = jsonschema::draft202012::new(&schema()).unwrap();
    let patterns: Vec<Json> = serde_json::from_str(PATTERNS).unwrap();
    for pattern in &patterns {
        let text = json!({"name": "race A", "rules": pattern["rules"]});
        assert!(validator.is_valid(&text), "{}", pattern["title"]);
        // The canonical form is valid too.
        assert!(validator.is_valid(&serde_json::to_value(sheet(&pattern["rules"])).unwrap()));
    }
    assert!(validator.is_valid(&serde_json::from_str(JSON).unwrap()));
    let wrong = [
        json!({"id": "a", "need": "count", "kinds": ["whistel"]}),
        json!({"id": "a", "need": "count", "kinds": ["whistle"], "margin": 1}),
        json!({"id": "a", "need": "total", "measure": "energy_kcal"}),
        json!({"id": "a", "need": "pair", "kinds": ["spare_cell"]}),
        json!({"id": "a", "need": "count", "kinds": ["vest"], "where": [{"attribute": "hood", "op": "=", "value": 1}]}),
        json!({"id": "a", "need": "count", "kinds": ["vest"], "where": [{"attribute": "lumen", "op": "=", "value": 1}]}),
        json!({"need": "count", "kinds": ["vest"]}),
        json!({"id": "a", "need": "any_of", "options": []}),
    ];
    for rule in wrong {
        let text = json!({"name": "race A", "rules": [rule]});
        assert!(!validator.is_valid(&text), "{text}");
        assert!(parse_json(&text.to_string()).is_err(), "{text}");
    }
}

#[test]
fn diff_two_editions_plain_words() {
    let old = sheet(&json!([
        {"id": "shell", "title": "Shell", "need": "count", "kinds": ["shell_jacket"],
         "where": [{"attribute": "head_mm", "op": ">=", "value": 10000}, {"attribute": "hood", "op": "=", "value": true}]},
        {"id": "water", "title": "Water", "need": "total", "kinds": ["soft_flask"], "measure": "capacity_ml", "at_least": 1000},
        {"id": "whistle", "title": "Whistle", "wording": "Whistle.", "need": "count", "kinds": ["whistle"]},
        {"id": "cup", "title": "Cup", "need": "count", "kinds": ["cup"]},
        {"id": "hands", "title": "Hands", "need": "any_of", "options": [
            [{"id": "warm", "need": "count", "kinds": ["gloves"]}],
            [{"id": "over", "need": "count", "kinds": ["over_mitts"]}]]},
        {"id": "map", "title": "Map", "need": "count", "kinds": ["map"]},
    ]));
    let new = sheet(&json!([
        {"id": "map", "title": "Map", "need": "count", "kinds": ["map"]},
        {"id": "shell", "title": "Shell", "need": "count", "kinds": ["shell_jacket"], "evidence_wanted": "label",
         "where": [{"attribute": "head_mm", "op": ">=", "value": 20000}, {"attribute": "seams_taped", "op": "=", "value": true}]},
        {"id": "water", "title": "Water", "need": "total", "kinds": ["soft_flask"], "measure": "capacity_ml", "at_least": 1500,
         "scope": "at_all_times"},
        {"id": "whistle", "title": "Whistle", "wording": "A loud whistle.", "need": "count", "kinds": ["whistle"]},
        {"id": "hands", "title": "Hands", "need": "any_of", "options": [
            [{"id": "warm", "need": "count", "kinds": ["gloves"], "count": 2}],
            [{"id": "over", "need": "count", "kinds": ["over_mitts"]}]]},
        {"id": "spare", "title": "Spare lamp", "need": "count", "kinds": ["head_lamp"], "when": "cold"},
    ]));
    let words: Vec<String> = diff(&old, &new).into_iter().map(|c| c.words).collect();
    assert_eq!(
        words,
        [
            "\"Cup\" is no longer asked for: 1 x cup",
            "\"Shell\": now hydrostatic head >= 20,000 mm instead of hydrostatic head >= 10,000 mm; no longer integral hood: yes; now also taped seams: yes; now wants label evidence instead of any",
            "\"Water\": now capacity of soft flask: at least 1,500 ml instead of capacity of soft flask: at least 1,000 ml; now at all times instead of at the start for each runner",
            "\"Whistle\" is worded differently and asks for the same",
            "\"Hands\": in \"warm\": now 2 instead of 1",
            "\"Spare lamp\" is new: 1 x head lamp (when the organiser switches on `cold`)",
            "\"Map\" stands elsewhere in the order, which settles ties",
        ]
    );
    assert!(diff(&new, &new).is_empty());
}

#[test]
fn validate_sheet_made_by_hand_checked_like_a_text() {
    // A rule that came by another way than text, with a field that its need does not have.
    let rule: Result<Rule, _> = serde_json::from_value(json!({"id": "a", "need": "burn", "kinds": ["vest"]}));
    assert!(rule.unwrap_err().to_string().contains("`kinds` does not belong to need `burn`"));
    let sheet = RuleSheet { name: String::new(), edition: String::new(), rules: Vec::new() };
    assert_eq!(validate(&sheet).unwrap_err()[0].pointer, "/name");
}
