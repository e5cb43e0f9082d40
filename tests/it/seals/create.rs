use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, loadout, loadout_entry, new_id, seal};

#[tokio::test]
async fn create_seal_of_the_service_s_own_snapshot_seals_the_loadout_until_it_is_void() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = item("shell").with("label_mass_g", 405);
    let shell = kit.keeper.post(&kit.path("items"), &shell).await.expect(201).id();
    let made = kit.member.post(&kit.path("loadouts"), &loadout("light")).await.expect(201).id();
    let at = kit.path(&format!("loadouts/{made}"));
    let entry = kit.member.post(&format!("{at}/entries"), &loadout_entry(shell)).await;
    let snapshot = kit.member.get(&format!("{at}/snapshot")).await.expect(200);
    assert_eq!(snapshot["entries"][0]["unit_mass_g"], 405);
    let body = json!({"loadout_id": made, "snapshot": snapshot});
    let sealed = kit.member.post(&kit.path("seals"), &body).await.expect(201);
    assert_eq!(sealed["snapshot"], snapshot, "stored as given");
    let shown = kit.viewer.get(&at).await;
    assert_eq!(
        (shown.expect(200).text("state"), &shown.expect(200)["seal_id"]),
        ("sealed", &json!(sealed.id()))
    );

    // Whoever knows of the seal changes nothing under it.
    let path = entry.header("location").to_owned();
    app.refuses(kit.member.patching(&path, &entry.etag(), &json!({"quantity": 2})), "loadout-sealed").await;
    app.refuses(kit.member.deleting(&path, &entry.etag()), "loadout-sealed").await;
    let more = kit.member.posting(&format!("{at}/entries"), &loadout_entry(shell));
    app.refuses(more, "loadout-sealed").await;

    let void = kit.path(&format!("seals/{}/void", sealed.id()));
    let _ = kit.member.post(&void, &json!({"reason": "the race was moved"})).await.expect(200);
    assert_eq!(kit.viewer.get(&at).await.expect(200).text("state"), "draft");
    let _ = kit.member.patching(&path, &entry.etag(), &json!({"quantity": 2})).send().await.expect(200);
}

#[tokio::test]
async fn create_seal_twice_by_the_same_request_is_one_and_with_other_content_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.member.post(&kit.path("loadouts"), &loadout("light")).await.expect(201).id();
    let body = seal(made).with("id", new_id().to_string());
    let first = kit.member.post(&kit.path("seals"), &body).await.expect(201);
    assert_eq!(kit.member.post(&kit.path("seals"), &body).await.expect(200), first);
    let other = body.with("note", "another one");
    app.refuses(kit.member.posting(&kit.path("seals"), &other), "op-id-reused").await;
    let path = kit.path(&format!("seals?loadout_id={made}"));
    assert_eq!(kit.viewer.get(&path).await.expect(200)["items"].as_array().unwrap().len(), 1);
}

#[tokio::test]
async fn create_seal_with_a_snapshot_that_cannot_be_is_refused_and_seals_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.member.post(&kit.path("loadouts"), &loadout("light")).await.expect(201).id();
    let changed = |pointer: &str, value: Value| {
        let mut body = seal(made);
        *body.pointer_mut(pointer).unwrap() = value;
        body
    };
    let entry = seal(made)["snapshot"]["entries"][0].clone();
    let crowd: Vec<Value> = (0..121).map(|_| entry.clone()).collect();
    for (body, pointer) in [
        (seal(new_id()), "/loadout_id"),
        (seal(made).without("snapshot"), "/snapshot"),
        (changed("/snapshot/entries", json!(crowd)), "/snapshot/entries"),
        (changed("/snapshot/entries/0/quantity", json!(0)), "/snapshot/entries/0/quantity"),
        (changed("/snapshot/entries/0/unit_mass_g", json!(-1)), "/snapshot/entries/0/unit_mass_g"),
        (changed("/snapshot/total_start_g", json!({"value_g": -5})), "/snapshot/total_start_g"),
    ] {
        let problem = app.refuses(kit.member.posting(&kit.path("seals"), &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
    let shown = kit.viewer.get(&kit.path(&format!("loadouts/{made}"))).await.expect(200);
    assert_eq!(shown.text("state"), "draft");
}
