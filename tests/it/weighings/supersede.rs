use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, weighing};

#[tokio::test]
async fn supersede_moves_the_mass_also_to_another_item_and_back_when_it_is_voided() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let one = kit.keeper.post(&kit.path("items"), &item("left glove")).await.expect(201).id();
    let two = kit.keeper.post(&kit.path("items"), &item("right glove")).await.expect(201).id();
    let masses = async || {
        let page = kit.viewer.get(&kit.path("items")).await.expect(200);
        page["items"].as_array().unwrap().iter().map(|item| item["mass_g"].clone()).collect::<Vec<_>>()
    };
    let first = kit.member.post(&kit.path("weighings"), &weighing(one, 40.0)).await.expect(201);
    assert_eq!(masses().await, [40.into(), Value::Null]);
    // It was the other glove.
    let right = weighing(two, 40.0).with("supersedes_id", first["id"].clone());
    let second = kit.member.post(&kit.path("weighings"), &right).await;
    assert_eq!(masses().await, [Value::Null, 40.into()]);
    // It was not: the correction is taken back, and what it replaced counts again.
    let void = format!("{}/void", second.header("location"));
    let _ = kit.member.post(&void, &json!({"reason": "it was the left one"})).await.expect(200);
    assert_eq!(masses().await, [40.into(), Value::Null]);
}
