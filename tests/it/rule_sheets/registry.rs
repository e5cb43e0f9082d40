use serde_json::Value;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::With;

#[tokio::test]
async fn attributes_and_schema_are_published_and_agree() {
    let app = TestApp::start().await;
    let attributes = app.http.get("/v1/attributes").await.expect(200);
    let names: Vec<&str> =
        attributes["items"].as_array().unwrap().iter().map(|attribute| attribute.text("name")).collect();
    let head = attributes["items"].as_array().unwrap().iter().find(|one| one["name"] == "head_mm").unwrap();
    assert_eq!((head.text("type"), head.text("unit")), ("number", "mm"));
    let schema = app.http.get("/v1/rule-sheet.schema.json").await;
    assert_eq!(schema.header("content-type"), "application/schema+json");
    let listed: Vec<Value> = names.iter().map(|name| (*name).into()).collect();
    assert_eq!(schema.expect(200)["$defs"]["attribute"]["enum"], Value::Array(listed));
}
