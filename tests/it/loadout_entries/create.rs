use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, gels, item, loadout, loadout_entry, new_id, pocket, stock_entry};

#[tokio::test]
async fn create_loadout_entry_answers_where_it_is_and_twice_is_two() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let item = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let loadout = kit.member.post(&kit.path("loadouts"), &loadout("light")).await.expect(201).id();
    let path = kit.path(&format!("loadouts/{loadout}/entries"));
    let made = kit.member.post(&path, &loadout_entry(item)).await;
    assert_eq!(made.header("location"), format!("{path}/{}", made.expect(201).id()));
    assert_eq!(kit.viewer.get(made.header("location")).await.expect(200), made.expect(201));
    assert_eq!(made.expect(201).text("loadout_id"), loadout.to_string());
    let _ = kit.member.post(&path, &loadout_entry(item)).await.expect(201);
    assert_eq!(app.count("loadout_entries").await, 2);
    // The same request again finds what it made.
    let body = loadout_entry(item).with("id", new_id().to_string());
    let first = kit.member.post(&path, &body).await.expect(201);
    assert_eq!(kit.member.post(&path, &body).await.expect(200), first);
}

#[tokio::test]
async fn create_loadout_entry_of_what_is_not_here_or_cannot_be_is_refused() {
    let app = TestApp::start().await;
    let (kit, other) = (app.kitroom().await, app.kitroom().await);
    let here = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let foreign = other.keeper.post(&other.path("items"), &item("shell")).await.expect(201).id();
    let made = kit.member.post(&kit.path("loadouts"), &loadout("light")).await.expect(201).id();
    let second = kit.member.post(&kit.path("loadouts"), &loadout("second")).await.expect(201).id();
    let elsewhere = kit.path(&format!("loadouts/{second}/entries"));
    let elsewhere = kit.member.post(&elsewhere, &loadout_entry(here)).await.expect(201).id();
    let pocket = kit.keeper.post(&kit.path("pockets"), &pocket(here)).await.expect(201).id();
    let path = kit.path(&format!("loadouts/{made}/entries"));
    for (body, pointer) in [
        (loadout_entry(foreign), "/item_id"),
        (loadout_entry(new_id()), "/item_id"),
        (loadout_entry(here).with("quantity", 0), "/quantity"),
        (loadout_entry(here).with("quantity", 1.5), "/quantity"),
        (loadout_entry(here).with("carry_place", "on_the_moon"), "/carry_place"),
        (
            loadout_entry(here).with("carry_place", "on_body").with("pocket_id", pocket.to_string()),
            "/pocket_id",
        ),
        (loadout_entry(here).with("from_leg", 3).with("to_leg", 2), "/to_leg"),
        (loadout_entry(here).with("from_leg", 0), "/from_leg"),
        (loadout_entry(here).with("inside_entry_id", elsewhere.to_string()), "/inside_entry_id"),
        (loadout_entry(here).with("item_kitroom_id", kit.id.to_string()), "/seen"),
        (loadout_entry(here).with("item_kitroom_id", other.id.to_string()), "/item_kitroom_id"),
        (loadout_entry(here).with("loadout_id", made.to_string()), "/loadout_id"),
    ] {
        let problem = app.refuses(kit.member.posting(&path, &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
    let nowhere = kit.path(&format!("loadouts/{}/entries", new_id()));
    app.refuses(kit.member.posting(&nowhere, &loadout_entry(here)), "not-found").await;
}

#[tokio::test]
async fn create_loadout_entry_of_more_units_than_the_stock_is_a_finding_and_no_refusal() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let gel = kit.keeper.post(&kit.path("items"), &gels("gel")).await.expect(201).id();
    let _ =
        kit.member.post(&kit.path("stock-entries"), &stock_entry(gel).with("change", 4)).await.expect(201);
    let loadout = kit.member.post(&kit.path("loadouts"), &loadout("light")).await.expect(201).id();
    let path = kit.path(&format!("loadouts/{loadout}/entries"));
    let _ = kit.member.post(&path, &loadout_entry(gel).with("quantity", 5)).await.expect(201);
    let mass = kit.viewer.get(&kit.path(&format!("loadouts/{loadout}/mass"))).await.expect(200);
    let findings = mass["findings"].as_array().unwrap();
    let found = findings.iter().find(|finding| finding["code"] == "more_than_stock");
    let found = found.unwrap_or_else(|| panic!("{mass}"));
    assert_eq!(found["item_id"], json!(gel));
    assert_eq!(mass["total_start_g"]["value_g"], 200);
}
