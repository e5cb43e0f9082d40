use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn create_item_by_a_keeper_stores_it_and_answers_where() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = item("blue shell").with("label_mass_g", 405.5).with("tag", "S1");
    let reply = kit.keeper.post(&kit.path("items"), &body).await;
    let made = reply.expect(201);
    insta::assert_json_snapshot!(redacted(&made), @r#"
    {
      "created_by": "[id]",
      "id": "[id]",
      "kind": "shell_jacket",
      "label_mass_g": 405.5,
      "mass_basis": "label",
      "mass_g": 405.5,
      "mass_n": 0,
      "name": "blue shell",
      "recorded_at": "[time]",
      "state": "serviceable",
      "tag": "S1",
      "version": 1
    }
    "#);
    assert_eq!(made["created_by"], kit.keeper.account.to_string());
    assert_eq!(reply.header("location"), kit.path(&format!("items/{}", made.id())));
    let stored: Value = app.scalar("select body from items").await;
    assert_eq!(stored, body);
    assert_eq!(kit.viewer.get(reply.header("location")).await.expect(200), made);
}

#[tokio::test]
async fn create_item_the_same_again_answers_the_first_and_changes_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = item("blue shell").with("id", new_id().to_string()).with("label_mass_g", 405);
    let first = kit.keeper.post(&kit.path("items"), &body).await;
    let before = app.contents().await;
    // The same content in another spelling: the order of the fields and of a number's digits says nothing.
    let spelt = r#"{"label_mass_g": 4.05e2, "kind": "shell_jacket", "name": "blue shell", "id": "ID"}"#
        .replace("ID", body.text("id"));
    let call = kit.keeper.call(reqwest::Method::POST, &kit.path("items"));
    let again = call.header("Content-Type", "application/json; charset=utf-8").body(spelt).send().await;
    assert_eq!(again.expect(200), first.expect(201));
    assert_eq!(again.header("location"), first.header("location"));
    assert_eq!(again.etag(), first.etag());
    assert_eq!(app.contents().await, before);
}

#[tokio::test]
async fn create_item_the_same_id_with_other_content_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = item("blue shell").with("id", new_id().to_string());
    let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    let other = body.with("name", "red shell");
    app.refuses(kit.keeper.posting(&kit.path("items"), &other), "op-id-reused").await;
}

#[tokio::test]
async fn create_item_an_id_that_is_taken_in_another_kitroom_is_another_item() {
    let app = TestApp::start().await;
    let (one, two) = (app.kitroom().await, app.kitroom().await);
    let body = item("blue shell").with("id", new_id().to_string());
    let _ = one.keeper.post(&one.path("items"), &body).await.expect(201);
    let _ = two.keeper.post(&two.path("items"), &body.with("name", "red shell")).await.expect(201);
    let names: String = app.scalar("select string_agg(name, ',' order by name) from items").await;
    assert_eq!(names, "blue shell,red shell");
}

#[tokio::test]
async fn create_item_with_an_idempotency_key_is_made_once() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = kit.path("items");
    let call =
        || kit.keeper.posting(&path, &item("blue shell")).header("Idempotency-Key", "\"first of May\"");
    let first = call().send().await.expect(201);
    let again = call().send().await.expect(200);
    assert_eq!(first, again);
    // The key is the account's own.
    let call = kit.owner.posting(&path, &item("blue shell")).header("Idempotency-Key", "\"first of May\"");
    let other = call.send().await.expect(201);
    assert_ne!(first.id(), other.id());
    assert_eq!(app.count("items").await, 2);
    let call = kit.keeper.posting(&path, &item("red shell")).header("Idempotency-Key", "\"first of May\"");
    app.refuses(call, "op-id-reused").await;
}

#[tokio::test]
async fn create_item_with_an_idempotency_key_that_is_none_is_refused_by_its_name() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let posting = || kit.keeper.posting(&kit.path("items"), &item("red shell"));
    let document = app.http.get("/openapi.json").await.expect(200);
    let parameters = document["paths"]["/v1/kitrooms/{kitroom_id}/items"]["post"]["parameters"].as_array();
    let says = parameters.unwrap().iter().find(|parameter| parameter["name"] == "Idempotency-Key").unwrap();
    let allowed = jsonschema::validator_for(&says["schema"]).unwrap();
    let (most, long) = ("k".repeat(200), "k".repeat(201));
    for key in [&*most, "k", "\"", "\"\"", "a b", "a \t ", &long, "", "a\tb", "\u{e9}t\u{e9}"] {
        let call = posting().header("Idempotency-Key", key);
        if allowed.is_valid(&json!(key)) {
            let _ = call.send().await.expect(201);
        } else {
            let problem = app.refuses(call, "validation-failed").await;
            assert_eq!(problem["errors"][0]["pointer"], "Idempotency-Key:", "{key:?}");
        }
    }
    assert_eq!(app.count("items").await, 6);
    let two = posting().header("Idempotency-Key", "one").header("Idempotency-Key", "two");
    let problem = app.refuses(two, "validation-failed").await;
    assert_eq!(problem["errors"][0]["code"], "twice");
}

#[tokio::test]
async fn create_item_without_key_or_id_twice_makes_two() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    for _ in 0..2 {
        let _ = kit.keeper.post(&kit.path("items"), &item("gel")).await.expect(201);
    }
    assert_eq!(app.count("items").await, 2);
}

#[tokio::test]
async fn create_item_with_wrong_fields_names_every_one_and_stores_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = kit.path("items");
    let body = json!({"name": "  ", "kind": "flying_carpet", "label_mass_g": 0.0005, "colour": "red",
        "breathability": {"value": 5}, "head_mm": -1, "mass_g": 400, "version": 7});
    let problem = app.refuses(kit.keeper.posting(&path, &body), "validation-failed").await;
    let mut pointers: Vec<&str> =
        problem["errors"].as_array().unwrap().iter().map(|error| error.text("pointer")).collect();
    pointers.sort_unstable();
    // What is derived or the service's own cannot be written either.
    let wanted = [
        "/breathability/method",
        "/colour",
        "/head_mm",
        "/kind",
        "/label_mass_g",
        "/mass_g",
        "/name",
        "/version",
    ];
    assert_eq!(pointers, wanted);
}

#[tokio::test]
async fn create_item_each_bad_field_is_named_by_pointer_and_code() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = kit.path("items");
    let long = "x".repeat(401);
    let many: Vec<String> = (0..51).map(|_| new_id().to_string()).collect();
    let crowd: Value =
        (0..65).map(|n| (format!("a{n}"), Value::from(n))).collect::<serde_json::Map<_, _>>().into();
    let cases = [
        (item("x").without("name"), "/name", "missing"),
        (item("x").without("kind"), "/kind", "missing"),
        (item(&"x".repeat(121)), "/name", "invalid"),
        (item("tab\u{7}bell"), "/name", "invalid"),
        (item("x").with("nmae", "y"), "/nmae", "unknown-field"),
        (item("x").with("id", "12"), "/id", "invalid"),
        (item("x").with("id", "0f0e4c2e-8b8e-4d0e-9d53-7d1f3d0c2f11"), "/id", "invalid"),
        (item("x").with("id", 12), "/id", "invalid"),
        (item("x").with("label_mass_g", -1), "/label_mass_g", "invalid"),
        (item("x").with("label_mass_g", 1_000_000.5), "/label_mass_g", "invalid"),
        (item("x").with("label_mass_g", "405"), "/label_mass_g", "invalid"),
        (item("x").with("label_mass_g", true), "/label_mass_g", "invalid"),
        (item("x").with("acquired_on", "2026-02-30"), "/acquired_on", "invalid"),
        (item("x").with("head_basis", "label"), "/head_basis", "contradiction"),
        (item("x").with("head_mm", 20000).with("head_basis", "rumour"), "/head_basis", "invalid"),
        (item("x").with("attributes", json!({"Grams": 1})), "/attributes/Grams", "invalid"),
        (item("x").with("attributes", json!({"a/b": 1})), "/attributes/a~1b", "invalid"),
        (item("x").with("attributes", json!({"long": long})), "/attributes/long", "too-long"),
        (item("x").with("attributes", json!({"big": 1e10})), "/attributes/big", "out-of-range"),
        (item("x").with("attributes", crowd), "/attributes", "too-many"),
        (item("x").with("conflicts_with", json!(many)), "/conflicts_with", "too-many"),
        (item("x").with("reach_needed", "soon"), "/reach_needed", "invalid"),
    ];
    for (body, pointer, code) in cases {
        let problem = app.refuses(kit.keeper.posting(&path, &body), "validation-failed").await;
        let errors = problem["errors"].as_array().unwrap();
        assert_eq!(errors.len(), 1, "{problem}");
        assert_eq!((errors[0].text("pointer"), errors[0].text("code")), (pointer, code), "{body}");
        assert!(errors[0].text("detail").len() > 5, "{problem}");
    }
    assert_eq!(app.count("items").await, 0);
}

#[tokio::test]
async fn create_item_a_nul_character_anywhere_is_refused_by_pointer() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = kit.path("items");
    for (body, pointer) in [
        (item("x").with("attributes", json!({"colour": "re\u{0}d"})), "/attributes/colour"),
        (item("x").with("notes", "a\u{0}b"), "/notes"),
        (item("x\u{0}"), "/name"),
    ] {
        let problem = app.refuses(kit.keeper.posting(&path, &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer);
    }
    app.refuses(kit.keeper.posting(&path, &item("x").with("col\u{0}our", 1)), "validation-failed").await;
}

#[tokio::test]
async fn create_item_null_is_the_same_as_absent() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = item("x").with("size", Value::Null).with("id", Value::Null);
    let made = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    assert!(made.get("size").is_none(), "{made}");
}

#[tokio::test]
async fn create_item_by_a_member_or_a_viewer_is_forbidden() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    for actor in [&kit.member, &kit.viewer] {
        app.refuses(actor.posting(&kit.path("items"), &item("x")), "forbidden").await;
    }
}

#[tokio::test]
async fn create_item_once_more_after_it_was_deleted_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = item("x").with("id", new_id().to_string());
    let made = kit.keeper.post(&kit.path("items"), &body).await;
    let path = made.header("location").to_owned();
    assert_eq!(kit.keeper.deleting(&path, &made.etag()).send().await.status, 204);
    app.refuses(kit.keeper.posting(&kit.path("items"), &body), "id-deleted").await;
}
