use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn create_kitroom_makes_its_maker_the_owner() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let reply = ada.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "personal"})).await;
    insta::assert_json_snapshot!(redacted(&reply.expect(201)), @r#"
    {
      "created_at": "[time]",
      "epoch": "[id]",
      "head_seq": 0,
      "id": "[id]",
      "name": "my kit",
      "purpose": "personal",
      "role": "owner",
      "version": 1
    }
    "#);
    assert_eq!(ada.get(reply.header("location")).await.expect(200), reply.expect(201));
    assert_eq!(app.count("memberships where role = 'owner'").await, 1);
}

#[tokio::test]
async fn create_kitroom_made_offline_keeps_its_id_and_repeats_harmlessly() {
    let app = TestApp::start().await;
    let (ada, other) = (app.actor("Ada").await, app.actor("Bo").await);
    let body = json!({"id": new_id(), "name": "my kit", "purpose": "personal"});
    let first = ada.post("/v1/kitrooms", &body).await.expect(201);
    assert_eq!(first["id"], body["id"]);
    assert_eq!(ada.post("/v1/kitrooms", &body).await.expect(200), first);
    // The id is taken: whose it is stays unsaid.
    let problem = app.refuses(other.posting("/v1/kitrooms", &body), "conflict").await;
    assert!(!problem.to_string().contains("my kit"), "{problem}");
    app.refuses(ada.posting("/v1/kitrooms", &body.with("name", "other kit")), "conflict").await;
}

#[tokio::test]
async fn create_kitroom_with_an_idempotency_key_is_made_once() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let body = json!({"name": "club kit", "purpose": "club"});
    let call = || ada.posting("/v1/kitrooms", &body).header("Idempotency-Key", "k1");
    let first = call().send().await.expect(201);
    assert_eq!(call().send().await.expect(200), first);
    assert_eq!(app.count("kitrooms").await, 1);
}

#[tokio::test]
async fn create_kitroom_a_second_personal_one_is_refused_with_the_first() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let first = ada.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "personal"})).await.expect(201);
    let again = ada.posting("/v1/kitrooms", &json!({"name": "more kit", "purpose": "personal"}));
    assert_eq!(app.refuses(again, "personal-exists").await["kitroom_id"], first["id"]);
    for name in ["club one", "club two"] {
        let _ = ada.post("/v1/kitrooms", &json!({"name": name, "purpose": "club"})).await.expect(201);
    }
    // Once it is deleted there is room for another.
    let path = format!("/v1/kitrooms/{}", first.text("id"));
    assert_eq!(app.log_in(&ada).await.deleting(&path, "*").send().await.status, 204);
    let _ = ada.post("/v1/kitrooms", &json!({"name": "new kit", "purpose": "personal"})).await.expect(201);
}

#[tokio::test]
async fn create_kitroom_personal_from_many_devices_at_once_makes_one() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    let body = json!({"name": "my kit", "purpose": "personal"});
    let calls: Vec<_> = (0..8).map(|_| tokio::spawn(ada.posting("/v1/kitrooms", &body).send())).collect();
    let mut statuses = Vec::new();
    for call in calls {
        statuses.push(call.await.unwrap().status);
    }
    statuses.sort_unstable();
    assert_eq!(statuses, [201, 409, 409, 409, 409, 409, 409, 409]);
    assert_eq!(app.count("kitrooms").await, 1);
}

#[tokio::test]
async fn create_kitroom_with_wrong_fields_is_refused_by_pointer() {
    let app = TestApp::start().await;
    let ada = app.actor("Ada").await;
    for (body, pointer) in [
        (json!({"purpose": "club"}), "/name"),
        (json!({"name": "x"}), "/purpose"),
        (json!({"name": "x", "purpose": "shop"}), "/purpose"),
        (json!({"name": "x", "purpose": "club", "role": "owner"}), "/role"),
        (json!({"id": "0f0e4c2e-8b8e-4d0e-9d53-7d1f3d0c2f11", "name": "x", "purpose": "club"}), "/id"),
        (json!({"name": "x\u{0}", "purpose": "club"}), "/name"),
    ] {
        let problem = app.refuses(ada.posting("/v1/kitrooms", &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
}
