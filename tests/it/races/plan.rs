use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, loadout, loadout_entry, new_id, race};

#[tokio::test]
async fn get_race_plan_says_the_dark_the_light_the_water_and_the_food() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("races"), &race("long one")).await.expect(201).id();
    let plan = kit.viewer.get(&kit.path(&format!("races/{made}/plan"))).await.expect(200);
    // From 18:00 to 02:30 summer time at 46 degrees north: the sun sets at about 20:20 on 28 August, and civil twilight
    // lasts half an hour.
    let (down, civil) =
        (plan["dark_h"]["sun_down"].as_f64().unwrap(), plan["dark_h"]["civil"].as_f64().unwrap());
    assert!((5.9..6.4).contains(&down) && (5.4..5.9).contains(&civil), "{plan}");
    assert_eq!((plan["lamp"].is_null(), plan["water"].is_null()), (true, true), "{plan}");
    assert_eq!(plan["finish_at"], "2026-08-29T00:30:00.000Z");

    let lamp = item("lamp").with("kind", "head_lamp").with("burn_h", 3).with("lumens", 300);
    let flask = item("flask").with("kind", "soft_flask").with("capacity_ml", 500);
    let bar = item("bar").with("kind", "food").with("energy_kcal", 220).with("label_mass_g", 50);
    let body = loadout("light").with("race_id", made.to_string());
    let loadout = kit.keeper.post(&kit.path("loadouts"), &body).await.expect(201).id();
    for (thing, more) in [(lamp, json!({})), (flask, json!({"fill_ml": 500})), (bar, json!({"quantity": 2}))]
    {
        let thing = kit.keeper.post(&kit.path("items"), &thing).await.expect(201).id();
        let mut entry = loadout_entry(thing);
        entry.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let _ = kit.keeper.post(&kit.path(&format!("loadouts/{loadout}/entries")), &entry).await.expect(201);
    }
    let path = kit.path(&format!("races/{made}/plan?loadout_id={loadout}"));
    let plan = kit.viewer.get(&path).await.expect(200);
    assert!(
        plan["lamp"]["short_h"].as_f64().unwrap() > 2.0,
        "3 h of light for 5.6 h of dark: {}",
        plan["lamp"]
    );
    // 500 ml at 500 ml an hour are gone after an hour of the 4.5 h to the pass, where there is water again.
    let first = &plan["water"]["legs"][0];
    assert_eq!((first["left_ml"].as_f64(), first["dry_h"].as_f64()), (Some(0.0), Some(3.5)), "{first}");
    assert_eq!(plan["water"]["legs"][1]["leaving_ml"], 500);
    assert_eq!(plan["food"]["legs"][0]["leaving_kcal"], 440);
}

#[tokio::test]
async fn get_race_plan_uses_the_asker_s_own_body_mass_and_shows_it_to_nobody() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("races"), &race("long one")).await.expect(201).id();
    let path = kit.path(&format!("races/{made}/plan"));
    let tag = kit.member.get("/v1/me/runner").await.etag();
    let said = json!({"body_mass_kg": 71.5});
    let _ = kit.member.patching("/v1/me/runner", &tag, &said).send().await.expect(200);
    let own = kit.member.get(&path).await.expect(200);
    assert!(own["cost_of_100_g"]["percent"].is_object(), "{own}");
    let other = kit.viewer.get(&path).await.expect(200);
    assert_eq!(other["cost_of_100_g"].get("percent"), None, "{other}");
    // The share of 100 g in the moving mass says the body mass: nobody else is told it.
    assert_ne!(own["cost_of_100_g"].get("percent"), other["cost_of_100_g"].get("percent"));
}

#[tokio::test]
async fn get_race_plan_of_a_race_without_times_says_why_nothing_is_known() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let made = kit.keeper.post(&kit.path("races"), &json!({"name": "some day"})).await.expect(201).id();
    let plan = kit.viewer.get(&kit.path(&format!("races/{made}/plan"))).await.expect(200);
    assert_eq!((&plan["dark_h"], &plan["cost_of_100_g"]), (&Value::Null, &Value::Null));
    assert!(plan.text("why_no_dark_h").len() > 10 && plan.text("why_no_cost").len() > 10, "{plan}");
    let path = kit.path(&format!("races/{made}/plan?loadout_id={}", new_id()));
    let problem = kit.viewer.get(&path).await.problem("validation-failed");
    assert_eq!(problem["errors"][0]["pointer"], "?loadout_id");
}
