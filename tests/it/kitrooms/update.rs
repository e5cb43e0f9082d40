use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::client::Method;

#[tokio::test]
async fn update_kitroom_renames_it_for_its_owner_alone() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = format!("/v1/kitrooms/{}", kit.id);
    let tag = kit.owner.get(&path).await.etag();
    let patch = json!({"name": "winter kit"});
    for actor in [&kit.keeper, &kit.member, &kit.viewer] {
        app.refuses(actor.patching(&path, &tag, &patch), "forbidden").await;
    }
    app.refuses(kit.owner.call(Method::PATCH, &path).merge_patch(&patch), "precondition-required").await;
    let renamed = kit.owner.patching(&path, &tag, &patch).send().await;
    assert_eq!(
        (&renamed.expect(200)["name"], &renamed.expect(200)["version"]),
        (&"winter kit".into(), &2.into())
    );
    let problem =
        app.refuses(kit.owner.patching(&path, &tag, &json!({"name": "x"})), "precondition-failed").await;
    assert_eq!(problem["current"]["name"], "winter kit");
    // The header has its own number: records' changes do not move it.
    assert_eq!(kit.viewer.get(&path).await.expect(200)["head_seq"], 0);
}

#[tokio::test]
async fn update_kitroom_with_wrong_fields_is_refused_by_pointer() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = format!("/v1/kitrooms/{}", kit.id);
    let tag = kit.owner.get(&path).await.etag();
    for (patch, pointer) in [
        (json!({"name": null}), "/name"),
        (json!({"name": ""}), "/name"),
        (json!({"purpose": "personal"}), "/purpose"),
        (json!({"head_seq": 7}), "/head_seq"),
        (json!({"epoch": kit.id}), "/epoch"),
    ] {
        let problem = app.refuses(kit.owner.patching(&path, &tag, &patch), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
}
