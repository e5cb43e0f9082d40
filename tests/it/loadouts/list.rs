use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, loadout, loadout_entry};

use super::scene::Scene;

#[tokio::test]
async fn list_loadout_masses_says_of_each_what_it_says_alone() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let kit = &scene.kit;
    let shell = scene.item("shell", "shell_jacket", json!({})).await;
    scene.weigh(shell, 412.0, "2026-03-01T05:10:00Z").await;
    let phone = scene.item("phone", "phone", json!({})).await;
    scene.put(shell, json!({})).await;
    for name in ["second", "third"] {
        let body = loadout(name).with("race_id", scene.race.to_string());
        let made = kit.member.post(&kit.path("loadouts"), &body).await.expect(201).id();
        for item in [shell, phone] {
            let path = kit.path(&format!("loadouts/{made}/entries"));
            let _ = kit.member.post(&path, &loadout_entry(item)).await.expect(201);
        }
    }
    let other = kit.member.post(&kit.path("loadouts"), &loadout("no race")).await.expect(201).id();
    let page = kit.viewer.get(&kit.path("loadout-masses")).await.expect(200);
    assert_eq!((page["items"].as_array().unwrap().len(), &page["next_cursor"]), (4, &json!(null)));
    for brief in page["items"].as_array().unwrap() {
        let path = kit.path(&format!("loadouts/{}/mass", brief.text("loadout_id")));
        let whole = kit.viewer.get(&path).await.expect(200);
        for field in ["carried", "total_start_g", "without_mass"] {
            assert_eq!(brief[field], whole[field], "{field}");
        }
    }
    let path = kit.path(&format!("loadout-masses?race_id={}&limit=2", scene.race));
    let page = kit.viewer.get(&path).await.expect(200);
    let rest = kit.viewer.get(&format!("{path}&cursor={}", page.text("next_cursor"))).await.expect(200);
    assert_eq!((page["items"].as_array().unwrap().len(), rest["items"].as_array().unwrap().len()), (2, 1));
    assert!(![&page, &rest].iter().any(|page| page.to_string().contains(&other.to_string())));
}
