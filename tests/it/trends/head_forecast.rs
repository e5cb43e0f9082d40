use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item};

#[tokio::test]
async fn get_head_forecast_rests_on_tests_and_never_on_a_label_alone() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = item("shell").with("head_mm", 20000).with("head_basis", "label");
    let shell = kit.keeper.post(&kit.path("items"), &shell).await.expect(201).id();
    let at = kit.path(&format!("items/{shell}/head-forecast"));
    let label = kit.viewer.get(&format!("{at}?on=2026-08-28")).await.expect(200);
    assert_eq!((label.get("estimate"), &label["claimed_mm"]), (None, &json!(20000)));
    assert!(label.text("why_none").len() > 10, "{label}");

    // The worked line of tests and hours: ln H falls by 0.0026267 an hour (fixtures/wear/wear.csv, D1).
    let log = async |body: serde_json::Value| {
        let _ = kit
            .member
            .post(&kit.path("log-entries"), &body.with("item_id", shell.to_string()))
            .await
            .expect(201);
    };
    let mut worn = 0.0;
    for (day, hours, head) in [
        ("01", 0.0, 20000),
        ("02", 40.0, 18500),
        ("03", 90.0, 15800),
        ("04", 150.0, 14000),
        ("05", 220.0, 11200),
    ] {
        if hours > worn {
            log(json!({"event": "use", "worn_h": hours - worn, "observed_at": format!("2026-02-{day}T06:00:00Z")})).await;
            worn = hours;
        }
        log(json!({"event": "head_test", "head_mm": head, "relation": "=", "rate_cm_min": 60, "drops": "third",
            "part": "fabric", "rig": "laboratory", "observed_at": format!("2026-02-{day}T12:00:00Z")})).await;
    }
    let view = kit.viewer.get(&format!("{at}?on=2026-02-05&limit_mm=10000")).await.expect(200);
    let estimate = &view["estimate"];
    // 95 % of the next test at 220 h: 10420.2 / 11364.5 / 12394.4 (D3). Until noon of the day some wear is added at the
    // rate of the last year.
    for (name, value) in [("low_mm", 10420.2), ("median_mm", 11364.5), ("high_mm", 12394.4)] {
        assert!((estimate[name].as_f64().unwrap() - value).abs() < 60.0, "{name}: {view}");
    }
    assert_eq!((estimate.text("method"), &estimate["n"]), ("least_squares", &json!(5)));
    let picture = kit.viewer.get(&format!("{at}.svg?on=2026-02-05")).await;
    assert_eq!((picture.status, picture.header("content-type")), (200, "image/svg+xml"));

    for (query, pointer) in [("on=soon", "?on"), ("limit_mm=0", "?limit_mm"), ("limit_mm=ten", "?limit_mm")] {
        let problem = kit.viewer.get(&format!("{at}?{query}")).await.problem("validation-failed");
        assert_eq!(problem["errors"][0]["pointer"], pointer);
    }
}
