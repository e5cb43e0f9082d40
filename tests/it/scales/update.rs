use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, scale, sitting};

#[tokio::test]
async fn update_scale_takes_a_name_and_keeps_what_readings_rest_on() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.member.post(&kit.path("scales"), &scale()).await;
    let (path, tag) = (made.header("location").to_owned(), made.etag());
    for patch in [json!({"resolution_g": 0.1}), json!({"capacity_g": 3000}), json!({"capacity_g": null})] {
        let problem = app.refuses(kit.member.patching(&path, &tag, &patch), "validation-failed").await;
        assert_eq!(problem["errors"][0]["code"], "write-once", "{problem}");
    }
    let named = kit.member.patching(&path, &tag, &json!({"name": "scale in the hall"})).send().await;
    assert_eq!(named.expect(200)["name"], "scale in the hall");
    app.refuses(kit.member.patching(&path, &tag, &json!({"name": "x"})), "precondition-failed").await;
}

#[tokio::test]
async fn delete_scale_that_was_used_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.member.post(&kit.path("scales"), &scale()).await;
    let path = made.header("location").to_owned();
    let used = kit.member.post(&kit.path("sittings"), &sitting(made.expect(201).id())).await;
    app.refuses(kit.member.deleting(&path, &made.etag()), "in-use").await;
    let gone = kit.member.deleting(used.header("location"), &used.etag()).send().await;
    assert_eq!(gone.status, 204);
    assert_eq!(kit.member.deleting(&path, &made.etag()).send().await.status, 204);
}
