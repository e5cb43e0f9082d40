use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id, scale, sitting};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn create_sitting_keeps_its_time_in_utc() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let body = sitting(on)
        .with("started_at", "2026-03-01T06:10:00.1239+01:00")
        .with("note", "on stone\nin the hall");
    let reply = kit.member.post(&kit.path("sittings"), &body).await;
    insta::assert_json_snapshot!(redacted(&reply.expect(201)), @r#"
    {
      "created_by": "[id]",
      "id": "[id]",
      "note": "on stone\nin the hall",
      "recorded_at": "[time]",
      "scale_id": "[id]",
      "started_at": "2026-03-01T05:10:00.123Z",
      "version": 2
    }
    "#);
}

#[tokio::test]
async fn create_sitting_with_wrong_fields_is_refused_by_pointer() {
    let app = TestApp::start().await;
    let (kit, other) = (app.kitroom().await, app.kitroom().await);
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let foreign = other.member.post(&other.path("scales"), &scale()).await.expect(201).id();
    for (body, pointer, code) in [
        (sitting(new_id()), "/scale_id", "no-such-record"),
        (sitting(foreign), "/scale_id", "no-such-record"),
        (sitting(on).without("scale_id"), "/scale_id", "missing"),
        (sitting(on).with("scale_id", "kitchen"), "/scale_id", "invalid"),
        (sitting(on).with("started_at", "2026-03-01"), "/started_at", "invalid"),
        (sitting(on).with("started_at", "2026-03-01T05:10:00"), "/started_at", "invalid"),
        (sitting(on).with("started_at", "1969-12-31T23:59:59Z"), "/started_at", "invalid"),
        (sitting(on).with("started_at", 1_772_000_000), "/started_at", "invalid"),
        (sitting(on).with("note", json!(["x"])), "/note", "invalid"),
    ] {
        let problem =
            app.refuses(kit.member.posting(&kit.path("sittings"), &body), "validation-failed").await;
        let error = &problem["errors"][0];
        assert_eq!((error.text("pointer"), error.text("code")), (pointer, code), "{body}");
    }
}
