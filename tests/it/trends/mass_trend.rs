use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{
    With, check_reading, item, new_id, scale, sitting, weighing, weighing_in,
};

#[tokio::test]
async fn get_mass_trend_tells_a_drift_from_a_scale_that_moved() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let scale = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    // The item gains 2 g a month; the scale reads 5 g too much from the third sitting on, which the check weight shows.
    for month in 1..=8u32 {
        let at = format!("2026-{month:02}-01T05:00:00.000Z");
        let off = if month >= 3 { 5.0 } else { 0.0 };
        let made = sitting(scale).with("started_at", at.clone());
        let made = kit.member.post(&kit.path("sittings"), &made).await.expect(201).id();
        let check = check_reading(made, 200.0 + off).with("observed_at", at.clone());
        let _ = kit.member.post(&kit.path("check-readings"), &check).await.expect(201);
        let reading = weighing_in(made, shell, 400.0 + 2.0 * f64::from(month) + off).with("observed_at", at);
        let _ = kit.member.post(&kit.path("weighings"), &reading).await.expect(201);
    }
    let path = kit.path(&format!("items/{shell}/mass-trend"));
    let view = kit.viewer.get(&path).await.expect(200);
    assert_eq!(view["n_days"], 8);
    // 2 g in a month of 30 or 31 days.
    let slope = view["slope"]["per_year_g"].as_f64().unwrap();
    assert!((22.0..26.5).contains(&slope), "{slope}");
    assert_eq!(view["scale"]["moved"], true, "{view}");
    let picture = kit.viewer.get(&format!("{path}.svg")).await;
    assert_eq!((picture.status, picture.header("content-type")), (200, "image/svg+xml"));
    assert!(picture.text().starts_with("<svg"));
}

#[tokio::test]
async fn get_mass_trend_of_something_hardly_weighed_says_what_it_takes() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let path = kit.path(&format!("items/{shell}/mass-trend"));
    let none = kit.viewer.get(&path).await.expect(200);
    assert_eq!((none["points"].as_array().unwrap().len(), none.get("slope")), (0, None), "{none}");
    let _ = kit.member.post(&kit.path("weighings"), &weighing(shell, 412.0)).await.expect(201);
    let one = kit.viewer.get(&path).await.expect(200);
    assert_eq!(one["points"].as_array().unwrap().len(), 1);
    assert!(!one["refusals"].as_array().unwrap().is_empty(), "{one}");
    assert_eq!(kit.viewer.get(&format!("{path}.svg")).await.status, 200);
    for what in ["mass-trend", "mass-trend.svg", "head-forecast", "head-forecast.svg", "seen"] {
        let _ = kit.viewer.get(&kit.path(&format!("items/{}/{what}", new_id()))).await.problem("not-found");
    }
}
