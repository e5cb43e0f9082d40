use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};

use super::scene::{Scene, assert_close, grams};

#[tokio::test]
async fn get_loadout_mass_over_a_course_is_that_of_the_sum_by_hand() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let shell = scene.item("shell", "shell_jacket", json!({"label_mass_g": 405})).await;
    let gel =
        scene.item("gel", "food", json!({"per_unit": true, "label_mass_g": 40, "energy_kcal": 250})).await;
    let flask = scene.item("flask", "soft_flask", json!({"label_mass_g": 30, "capacity_ml": 500})).await;
    let shoes = scene.item("shoes", "shoes", json!({"label_mass_g": 600})).await;
    scene.put(shell, json!({})).await;
    scene.put(gel, json!({"quantity": 9})).await;
    scene.put(flask, json!({"fill_ml": 500})).await;
    scene.put(shoes, json!({"carry_place": "on_body"})).await;
    let mass = scene.of_loadout("mass").await;
    // 405 + 9 x 40 + 30 + 500 carried; with the shoes 600 more.
    assert_eq!((grams(&mass["carried"]["start_g"]), grams(&mass["total_start_g"])), (1295.0, 1895.0));
    // 250 kcal an hour over 8.5 h are 8.5 gels: half a gel is left, 20 g. The 500 ml are gone after an hour; at the pass
    // the flask is filled again, and empty at the finish.
    assert_close(grams(&mass["carried"]["finish_g"]), 405.0 + 20.0 + 30.0);
    // The mean over time: food falls evenly from 360 g to 20 g; water is 250 g on average for one hour of each leg.
    assert_close(grams(&mass["carried"]["mean_g"]), 435.0 + 190.0 + 250.0 * 2.0 / 8.5);
    assert_eq!((grams(&mass["carried"]["max_g"]), &mass["carried"]["max_leg"]), (1295.0, &json!(1)));
    // The sheet asks for the shell, which no test shows to be waterproof, and for a whistle, which is not there.
    assert_eq!(grams(&mass["places"]["on_body"]), 600.0);
    assert_eq!(mass["without_mass"], json!([]));
    // Labels have no uncertainty that anybody knows.
    assert_eq!(mass["total_start_g"].get("u_g"), None);
}

#[tokio::test]
async fn get_loadout_mass_of_something_nobody_weighed_says_so_and_not_zero() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let known = scene.item("shell", "shell_jacket", json!({})).await;
    scene.weigh(known, 412.0, "2026-03-01T05:10:00Z").await;
    let unknown = scene.item("phone", "phone", json!({})).await;
    scene.put(known, json!({})).await;
    scene.put(unknown, json!({})).await;
    let mass = scene.of_loadout("mass").await;
    assert_eq!(grams(&mass["total_start_g"]), 412.0);
    assert_eq!(mass["without_mass"], json!([unknown]));
    assert_eq!(mass["rests_on"]["unknown_n"], 1);
    assert_eq!(mass["total_start_g"].get("u_g"), None);
    assert!(mass["rests_on"]["measured"]["u_g"].as_f64().unwrap() > 0.4);
}

#[tokio::test]
async fn get_loadout_mass_as_of_a_day_counts_what_was_observed_by_then() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    let shell = scene.item("shell", "shell_jacket", json!({"label_mass_g": 405})).await;
    scene.put(shell, json!({})).await;
    scene.weigh(shell, 412.0, "2026-03-01T05:10:00Z").await;
    scene.weigh(shell, 420.0, "2026-05-01T05:10:00Z").await;
    let at =
        async |as_of: &str| grams(&scene.of_loadout(&format!("mass?as_of={as_of}")).await["total_start_g"]);
    assert_eq!(at("2026-02-01T00:00:00Z").await, 405.0);
    assert_eq!(at("2026-04-01T00:00:00Z").await, 412.0);
    assert_eq!(at("2026-06-01T00:00:00Z").await, 420.0);
    // What is computed anew for a past day is what is kept for now.
    let now = scene.of_loadout("mass").await;
    let then = scene.of_loadout("mass?as_of=2026-07-01T00:00:00Z").await;
    assert_eq!(now["total_start_g"], then["total_start_g"]);
    let path = scene.kit.path(&format!("loadouts/{}/mass?as_of=yesterday", scene.loadout));
    let problem = scene.kit.viewer.get(&path).await.problem("validation-failed");
    assert_eq!(problem["errors"][0]["pointer"], "?as_of");
}

#[tokio::test]
async fn get_loadout_mass_of_what_is_not_there_is_not_found() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    for what in ["mass", "verdicts", "snapshot"] {
        let path = scene.kit.path(&format!("loadouts/{}/{what}", new_id()));
        let _ = scene.kit.viewer.get(&path).await.problem("not-found");
    }
    let made = scene.kit.viewer.get(&scene.kit.path(&format!("loadouts/{}", scene.loadout))).await;
    assert_eq!(made.expect(200).text("state"), "draft");
}
