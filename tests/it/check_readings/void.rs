use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, check_reading, item, scale, sitting, weighing_in};

#[tokio::test]
async fn void_check_reading_gives_the_offset_back_to_the_class() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let at = kit.member.post(&kit.path("sittings"), &sitting(on)).await.expect(201).id();
    let shell = kit.keeper.post(&kit.path("items"), &item("x")).await.expect(201).id();
    let read = kit.member.post(&kit.path("check-readings"), &check_reading(at, 203.0)).await;
    let _ = kit.member.post(&kit.path("weighings"), &weighing_in(at, shell, 415.0)).await.expect(201);
    let mass = async || {
        let item = kit.viewer.get(&kit.path(&format!("items/{shell}"))).await.expect(200);
        (item["mass_g"].clone(), item["mass_calibration"].clone())
    };
    assert_eq!(mass().await, (412.into(), "checked".into()));
    let void = format!("{}/void", read.header("location"));
    let voided = kit.member.post(&void, &json!({"reason": "the wrong weight"})).await.expect(200);
    assert_eq!(voided["voided"]["reason"], "the wrong weight");
    assert_eq!(mass().await, (415.into(), "assumed".into()));
}
