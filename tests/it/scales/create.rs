use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id, scale};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn create_scale_by_a_member_stores_it() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let reply = kit.member.post(&kit.path("scales"), &scale()).await;
    insta::assert_json_snapshot!(redacted(&reply.expect(201)), @r#"
    {
      "capacity_g": 5000,
      "created_by": "[id]",
      "id": "[id]",
      "name": "kitchen scale",
      "recorded_at": "[time]",
      "resolution_g": 1,
      "version": 1
    }
    "#);
    let listed = kit.viewer.get(&kit.path("scales")).await.expect(200);
    assert_eq!(listed["items"], json!([kit.viewer.get(reply.header("location")).await.expect(200)]));
}

#[tokio::test]
async fn create_scale_that_cannot_weigh_is_refused_by_pointer() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    for (body, pointer) in [
        (scale().with("resolution_g", 0), "/resolution_g"),
        (scale().with("resolution_g", 0.0001), "/resolution_g"),
        (scale().without("resolution_g"), "/resolution_g"),
        (scale().with("capacity_g", 0.5), "/capacity_g"),
        (scale().with("name", ""), "/name"),
        (scale().with("maker", "maker A"), "/maker"),
    ] {
        let problem = app.refuses(kit.member.posting(&kit.path("scales"), &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{body}");
    }
    app.refuses(kit.viewer.posting(&kit.path("scales"), &scale()), "forbidden").await;
}

#[tokio::test]
async fn create_scale_again_with_its_id_is_the_same_scale() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let body = scale().with("id", new_id().to_string());
    let first = kit.member.post(&kit.path("scales"), &body).await.expect(201);
    assert_eq!(kit.member.post(&kit.path("scales"), &body).await.expect(200), first);
    app.refuses(kit.member.posting(&kit.path("scales"), &body.with("capacity_g", 3000)), "op-id-reused")
        .await;
}
