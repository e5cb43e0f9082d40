use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, check_reading, new_id, scale, sitting};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn create_check_reading_stores_a_fact_with_its_reporter() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let at = kit.member.post(&kit.path("sittings"), &sitting(on)).await.expect(201).id();
    let reply = kit.member.post(&kit.path("check-readings"), &check_reading(at, 201.0)).await;
    insta::assert_json_snapshot!(redacted(&reply.expect(201)), @r#"
    {
      "created_by": "[id]",
      "id": "[id]",
      "known_g": 200,
      "known_u_g": 0.006,
      "observed_at": "2026-03-01T05:10:00.000Z",
      "reading_g": 201,
      "recorded_at": "[time]",
      "recorded_by": "[id]",
      "sitting_id": "[id]",
      "version": 3,
      "weight_name": "200 g class M1"
    }
    "#);
}

#[tokio::test]
async fn create_check_reading_that_says_nothing_is_refused_by_pointer() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let at = kit.member.post(&kit.path("sittings"), &sitting(on)).await.expect(201).id();
    let path = kit.path("check-readings");
    for (body, pointer) in [
        (check_reading(at, 5000.5), "/reading_g"),
        (check_reading(at, 200.0).with("known_g", 0).with("known_u_g", 0), "/known_g"),
        (check_reading(at, 200.0).with("known_u_g", 200), "/known_u_g"),
        (check_reading(at, 200.0).without("known_u_g"), "/known_u_g"),
        (check_reading(at, 200.0).with("weight_name", " "), "/weight_name"),
        (check_reading(new_id(), 200.0), "/sitting_id"),
        (check_reading(at, 200.0).with("supersedes_id", new_id().to_string()), "/supersedes_id"),
    ] {
        let problem = app.refuses(kit.member.posting(&path, &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
}
