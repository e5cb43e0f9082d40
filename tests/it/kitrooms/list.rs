use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::With;

#[tokio::test]
async fn list_kitrooms_shows_own_ones_with_the_role_and_page_by_page() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    for n in 0..3 {
        let _ = ada
            .post("/v1/kitrooms", &json!({"name": format!("club {n}"), "purpose": "club"}))
            .await
            .expect(201);
    }
    let foreign = app.kitroom().await;
    app.join(foreign.id, &ada, "viewer").await;
    let whole = ada.get("/v1/kitrooms").await.expect(200);
    let roles: Vec<&str> =
        whole["items"].as_array().unwrap().iter().map(|kitroom| kitroom.text("role")).collect();
    assert_eq!(roles, ["owner", "owner", "owner", "viewer"]);
    let first = ada.get("/v1/kitrooms?limit=3").await.expect(200);
    let cursor = first.text("next_cursor").to_owned();
    let second = ada.get(&format!("/v1/kitrooms?limit=3&cursor={cursor}")).await.expect(200);
    let both: Vec<Value> =
        [&first, &second].iter().flat_map(|page| page["items"].as_array().unwrap().clone()).collect();
    assert_eq!(Value::from(both), whole["items"]);
    // A cursor is its account's own.
    let _ = foreign.owner.get(&format!("/v1/kitrooms?cursor={cursor}")).await.problem("cursor-invalid");
    app.leave(foreign.id, &ada).await;
    assert_eq!(ada.get("/v1/kitrooms").await.expect(200)["items"].as_array().unwrap().len(), 3);
    for actor in [&foreign.removed, &foreign.outsider] {
        assert_eq!(actor.get("/v1/kitrooms").await.expect(200)["items"], json!([]));
    }
}
