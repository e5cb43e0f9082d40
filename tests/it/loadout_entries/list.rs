use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, loadout, loadout_entry, new_id};

#[tokio::test]
async fn list_loadout_entries_are_the_loadout_s_own_page_by_page() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let item = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let mut paths = Vec::new();
    for name in ["one", "two"] {
        let made = kit.member.post(&kit.path("loadouts"), &loadout(name)).await.expect(201).id();
        let path = kit.path(&format!("loadouts/{made}/entries"));
        for note in ["first", "second", "third"] {
            let _ = kit
                .member
                .post(&path, &loadout_entry(item).with("note", format!("{name} {note}")))
                .await
                .expect(201);
        }
        paths.push(path);
    }
    let page = kit.viewer.get(&format!("{}?limit=2", paths[1])).await;
    let items = page.expect(200)["items"].clone();
    let notes: Vec<&str> = items.as_array().unwrap().iter().map(|entry| entry.text("note")).collect();
    assert_eq!(notes, ["two first", "two second"]);
    let cursor = page.expect(200).text("next_cursor").to_owned();
    let rest = kit.viewer.get(&format!("{}?limit=2&cursor={cursor}", paths[1])).await.expect(200);
    assert_eq!((rest["items"][0].text("note"), &rest["next_cursor"]), ("two third", &json!(null)));
    // A cursor is good for its own list only.
    let _ = kit.viewer.get(&format!("{}?cursor={cursor}", paths[0])).await.problem("cursor-invalid");
    let nowhere = kit.path(&format!("loadouts/{}/entries", new_id()));
    let _ = kit.viewer.get(&nowhere).await.problem("not-found");
}
