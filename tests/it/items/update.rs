use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::client::{Method, Reply};

async fn one_item(app: &TestApp) -> (Kitroom, String, Reply) {
    let kit = app.kitroom().await;
    let body =
        item("blue shell").with("size", "M").with("attributes", json!({"pockets": 2, "colour": "blue"}));
    let made = kit.keeper.post(&kit.path("items"), &body).await;
    let path = made.header("location").to_owned();
    (kit, path, made)
}

#[tokio::test]
async fn update_item_changes_what_is_named_and_takes_out_what_is_null() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    let patch = json!({"name": "old shell", "size": null, "attributes": {"colour": null, "zips": 1}});
    let reply = kit.keeper.patching(&path, &made.etag(), &patch).send().await;
    let changed = reply.expect(200);
    assert_eq!(changed["name"], "old shell");
    assert!(changed.get("size").is_none(), "{changed}");
    assert_eq!(changed["attributes"], json!({"pockets": 2, "zips": 1}));
    assert_eq!((&changed["version"], &changed["id"]), (&2.into(), &made.expect(201)["id"]));
    assert_ne!(reply.etag(), made.etag());
    assert_eq!(kit.viewer.get(&path).await.expect(200), changed);
}

#[tokio::test]
async fn update_item_that_changes_nothing_keeps_the_version() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    let reply = kit.keeper.patching(&path, &made.etag(), &json!({"size": "M", "notes": null})).send().await;
    assert_eq!(reply.expect(200), made.expect(201));
    assert_eq!(app.scalar::<i64>(&format!("select head_seq from kitrooms where id = '{}'", kit.id)).await, 1);
}

#[tokio::test]
async fn update_item_without_if_match_is_refused() {
    let app = TestApp::start().await;
    let (kit, path, _) = one_item(&app).await;
    let call = kit.keeper.call(Method::PATCH, &path).merge_patch(&json!({"size": "L"}));
    app.refuses(call, "precondition-required").await;
}

#[tokio::test]
async fn update_item_with_a_stale_tag_is_refused_with_the_record_as_it_stands() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    let now = kit.keeper.patching(&path, &made.etag(), &json!({"size": "L"})).send().await.expect(200);
    // Another field: through a resource nothing is merged, the sender looks at it first.
    let call = kit.owner.patching(&path, &made.etag(), &json!({"name": "old shell"}));
    let problem = app.refuses(call, "precondition-failed").await;
    for field in ["id", "version", "size", "name", "attributes"] {
        assert_eq!(problem["current"][field], now[field], "{field}");
    }
}

#[tokio::test]
async fn update_item_with_a_tag_that_is_none_of_ours_is_refused() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    let weak = format!("W/{}", made.etag());
    let bare = made.etag().trim_matches('"').to_owned();
    // Of another epoch: the server was restored or copied since.
    let epoch = format!("\"{}-1-00000000\"", new_id().simple());
    for tag in ["*", "\"1\"", "", weak.as_str(), bare.as_str(), epoch.as_str()] {
        app.refuses(kit.keeper.patching(&path, tag, &json!({"size": "L"})), "precondition-failed").await;
    }
}

#[tokio::test]
async fn update_item_with_wrong_fields_is_refused_by_pointer() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    for (patch, pointer) in [
        (json!({"name": null}), "/name"),
        (json!({"name": ""}), "/name"),
        (json!({"id": new_id()}), "/id"),
        (json!({"version": 9}), "/version"),
        (json!({"created_by": new_id()}), "/created_by"),
        (json!({"mass_g": 1}), "/mass_g"),
        (json!({"attributes": 5}), "/attributes"),
        (json!({"attributes": {"colour": {"r": 1}}}), "/attributes"),
        (json!({"head_basis": "label"}), "/head_basis"),
        (json!({"conflicts_with": [made.expect(201)["id"]]}), "/conflicts_with"),
    ] {
        let problem =
            app.refuses(kit.keeper.patching(&path, &made.etag(), &patch), "validation-failed").await;
        let first = problem["errors"][0].text("pointer");
        assert!(first.starts_with(pointer), "{patch}: {problem}");
    }
}

#[tokio::test]
async fn update_item_in_another_media_type_says_which_is_taken() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    let call =
        kit.keeper.call(Method::PATCH, &path).header("If-Match", &made.etag()).json(&json!({"size": "L"}));
    let reply = call.send().await;
    let _ = reply.problem("unsupported-media-type");
    // RFC 5789, section 2.2.
    assert_eq!(reply.header("accept-patch"), "application/merge-patch+json");
}

#[tokio::test]
async fn update_item_that_is_not_there_or_deleted_is_not_found() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    let nowhere = kit.path(&format!("items/{}", new_id()));
    app.refuses(kit.keeper.patching(&nowhere, &made.etag(), &json!({"size": "L"})), "not-found").await;
    assert_eq!(kit.keeper.deleting(&path, &made.etag()).send().await.status, 204);
    app.refuses(kit.keeper.patching(&path, &made.etag(), &json!({"size": "L"})), "not-found").await;
}

#[tokio::test]
async fn update_item_by_two_at_once_lets_one_through() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    let patches: Vec<Value> = (0..8).map(|n| json!({"size": format!("S{n}")})).collect();
    let tag = made.etag();
    let calls: Vec<_> =
        patches.iter().map(|patch| tokio::spawn(kit.keeper.patching(&path, &tag, patch).send())).collect();
    let mut statuses = Vec::new();
    for call in calls {
        statuses.push(call.await.unwrap().status);
    }
    statuses.sort_unstable();
    assert_eq!(statuses, [200, 412, 412, 412, 412, 412, 412, 412]);
    assert_eq!(kit.viewer.get(&path).await.expect(200)["version"], 2);
}

#[tokio::test]
async fn update_item_by_a_member_is_forbidden() {
    let app = TestApp::start().await;
    let (kit, path, made) = one_item(&app).await;
    app.refuses(kit.member.patching(&path, &made.etag(), &json!({"size": "L"})), "forbidden").await;
}
