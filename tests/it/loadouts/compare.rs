use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, loadout, new_id};

use super::scene::{Scene, grams};

#[tokio::test]
async fn get_loadout_comparison_says_what_the_second_adds_and_takes_away() {
    let app = TestApp::start().await;
    let mut scene = Scene::new(&app).await;
    let shell = scene.item("shell", "shell_jacket", json!({"label_mass_g": 405})).await;
    let poles = scene.item("poles", "poles", json!({"label_mass_g": 360})).await;
    scene.put(shell, json!({})).await;
    scene.put(poles, json!({"carry_place": "in_hand"})).await;
    let first = scene.loadout;
    let body = loadout("without poles").with("race_id", scene.race.to_string());
    scene.loadout = scene.kit.member.post(&scene.kit.path("loadouts"), &body).await.expect(201).id();
    scene.put(shell, json!({})).await;
    let path = |with| scene.kit.path(&format!("loadouts/{first}/comparison?with_id={with}"));
    let view = scene.kit.viewer.get(&path(scene.loadout)).await.expect(200);
    assert_eq!(grams(&view["carried_change_g"]), -360.0);
    assert_eq!(view["lines"].as_array().unwrap().len(), 1, "{view}");
    assert_eq!((view["lines"][0].text("name"), &view["lines"][0]["change_g"]), ("poles", &json!(-360)));
    let problem = scene.kit.viewer.get(&path(new_id())).await.problem("validation-failed");
    assert_eq!(problem["errors"][0]["pointer"], "?with_id");
}
