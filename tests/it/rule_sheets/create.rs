use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, rule_sheet};

#[tokio::test]
async fn create_rule_sheet_of_a_whole_race_is_stored_as_it_was_sent() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    // The sheet of an invented race with every sort of need.
    let text = include_str!("../../../fixtures/rules/race_a.json");
    let sheet: Value = serde_json::from_str(text).unwrap();
    let made = kit.keeper.post(&kit.path("rule-sheets"), &sheet).await.expect(201);
    assert_eq!(made["rules"].as_array().unwrap().len(), sheet["rules"].as_array().unwrap().len());
    let schema = app.http.get("/v1/rule-sheet.schema.json").await.expect(200);
    let stored = json!({"name": made["name"], "edition": made["edition"], "rules": made["rules"]});
    assert!(jsonschema::validator_for(&schema).unwrap().is_valid(&stored), "{stored}");
}

#[tokio::test]
async fn create_rule_sheet_that_cannot_be_judged_by_names_the_rule_and_stores_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let rule = |rule: Value| rule_sheet("kit").with("rules", json!([rule]));
    let one = json!({"id": "a", "need": "count", "kinds": ["whistle"]});
    for (sheet, pointer) in [
        (rule_sheet("kit").with("rules", "a whistle"), "/rules"),
        (rule(json!({"id": "a", "need": "luck"})), "/rules/0/need"),
        (rule(json!({"id": "a", "need": "count", "kinds": ["flying_carpet"]})), "/rules/0/kinds/0"),
        (
            rule(
                json!({"id": "a", "need": "count", "where": [{"attribute": "colour", "op": "=", "value": "red"}]}),
            ),
            "/rules/0/where/0/attribute",
        ),
        (rule(json!({"id": "a", "need": "pair", "for": "b", "same_attribute": "cell_type"})), "/rules/0/for"),
        (rule_sheet("kit").with("rules", json!([one, one])), "/rules/1/id"),
    ] {
        let problem =
            app.refuses(kit.keeper.posting(&kit.path("rule-sheets"), &sheet), "validation-failed").await;
        let said = problem["errors"][0].text("pointer").to_owned();
        assert!(
            said.starts_with(pointer) || pointer.starts_with(&said) && said.len() > 1,
            "{pointer}: {problem}"
        );
        assert!(problem["errors"][0].text("detail").len() > 10, "{problem}");
    }
}
