use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, check_reading, scale, sitting};

#[tokio::test]
async fn update_sitting_takes_a_note_and_keeps_its_scale() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let one = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let two = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let made = kit.member.post(&kit.path("sittings"), &sitting(one)).await;
    let path = made.header("location").to_owned();
    let call = kit.member.patching(&path, &made.etag(), &json!({"scale_id": two}));
    let problem = app.refuses(call, "validation-failed").await;
    assert_eq!(problem["errors"][0]["pointer"], "/scale_id");
    let noted = kit.member.patching(&path, &made.etag(), &json!({"note": "on carpet"})).send().await;
    assert_eq!(noted.expect(200)["note"], "on carpet");
}

#[tokio::test]
async fn delete_sitting_with_readings_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let made = kit.member.post(&kit.path("sittings"), &sitting(on)).await;
    let body = check_reading(made.expect(201).id(), 201.0);
    let read = kit.member.post(&kit.path("check-readings"), &body).await;
    app.refuses(kit.member.deleting(made.header("location"), &made.etag()), "in-use").await;
    let void = format!("{}/void", read.header("location"));
    let _ = kit.member.post(&void, &json!({"reason": "the wrong weight"})).await.expect(200);
    assert_eq!(kit.member.deleting(made.header("location"), &made.etag()).send().await.status, 204);
}
