use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, log_entry, new_id};

#[tokio::test]
async fn create_log_entry_of_each_event_takes_what_belongs_to_it() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let item = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    for more in [
        json!({"event": "use", "worn_h": 5.5, "wet_h": 2, "distance_km": 31}),
        json!({"event": "wash", "program": "30 gentle", "detergent": "liquid"}),
        json!({"event": "reproof", "detergent": "spray"}),
        json!({"event": "repair", "part": "left cuff"}),
        json!({"event": "inspection", "grade": 4}),
        json!({"event": "spray_test", "grade": 0}),
        json!({"event": "head_test", "head_mm": 15000, "relation": ">=", "rate_cm_min": 60, "rig": "pump"}),
        json!({"event": "burn_test", "burn_h": 6.5, "mode": "high", "temperature_c": -5}),
        json!({"event": "opened"}),
        json!({"event": "damage", "part": "hood"}),
        json!({"event": "quarantine"}),
        json!({"event": "clear"}),
        json!({"event": "retire", "reason": "delamination"}),
    ] {
        let mut body = json!({"item_id": item});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let made = kit.member.post(&kit.path("log-entries"), &body).await.expect(201);
        assert_eq!(made["event"], more["event"]);
        assert!(made["observed_at"].is_string(), "just observed: {made}");
    }
    assert_eq!(app.count("log_entries").await, 13);
}

#[tokio::test]
async fn create_log_entry_with_what_contradicts_itself_names_the_field_and_stores_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let item = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let entry = |more: Value| {
        let mut body = json!({"item_id": item});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        body
    };
    for (body, pointer) in [
        (log_entry(new_id()), "/item_id"),
        (entry(json!({"event": "dance"})), "/event"),
        (entry(json!({"event": "use"})), "/worn_h"),
        (entry(json!({"event": "use", "worn_h": 2, "wet_h": 3})), "/wet_h"),
        (entry(json!({"event": "wash", "worn_h": 2})), "/worn_h"),
        (entry(json!({"event": "inspection", "grade": 0})), "/grade"),
        (entry(json!({"event": "spray_test", "grade": 6})), "/grade"),
        (entry(json!({"event": "head_test"})), "/head_mm"),
        (entry(json!({"event": "head_test", "head_mm": 0})), "/head_mm"),
        (entry(json!({"event": "head_test", "head_mm": 9000, "part": "hood"})), "/part"),
        (entry(json!({"event": "retire"})), "/reason"),
        (entry(json!({"event": "use", "worn_h": 1, "observed_at": "2046-01-01T00:00:00Z"})), "/observed_at"),
    ] {
        let problem =
            app.refuses(kit.member.posting(&kit.path("log-entries"), &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
}
