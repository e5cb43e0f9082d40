use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, check_reading, new_id, scale, sitting};

#[tokio::test]
async fn list_check_readings_of_one_sitting_leaves_the_others_out() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let one = kit.member.post(&kit.path("sittings"), &sitting(on)).await.expect(201).id();
    let two = kit.member.post(&kit.path("sittings"), &sitting(on)).await.expect(201).id();
    for (sitting, reading) in [(one, 200.0), (two, 201.0), (one, 202.0)] {
        let _ =
            kit.member.post(&kit.path("check-readings"), &check_reading(sitting, reading)).await.expect(201);
    }
    let readings = async |query: String| {
        let page = kit.viewer.get(&format!("{}{query}", kit.path("check-readings"))).await.expect(200);
        page["items"]
            .as_array()
            .unwrap()
            .iter()
            .map(|item| item["reading_g"].as_f64().unwrap())
            .collect::<Vec<_>>()
    };
    assert_eq!(readings(String::new()).await, [200.0, 201.0, 202.0]);
    assert_eq!(readings(format!("?sitting_id={one}")).await, [200.0, 202.0]);
    assert_eq!(readings(format!("?sitting_id={}", new_id())).await, [0.0; 0]);
    let bad = kit.viewer.get(&format!("{}?sitting_id=x", kit.path("check-readings"))).await;
    assert_eq!(bad.problem("validation-failed")["errors"][0].text("pointer"), "?sitting_id");
}
