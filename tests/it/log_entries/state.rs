use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item};

#[tokio::test]
async fn state_of_an_item_follows_its_events_and_filters_the_list() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    let _ = kit.keeper.post(&kit.path("items"), &item("tights")).await.expect(201);
    let at = kit.path(&format!("items/{shell}"));
    let state = || async { kit.viewer.get(&at).await.expect(200).text("state").to_owned() };
    let log = |more: serde_json::Value| {
        let mut body = json!({"item_id": shell});
        body.as_object_mut().unwrap().extend(more.as_object().unwrap().clone());
        let (path, member) = (kit.path("log-entries"), &kit.member);
        async move { member.post(&path, &body).await.expect(201) }
    };
    assert_eq!(state().await, "serviceable");
    let quarantine = log(json!({"event": "quarantine"})).await;
    assert_eq!(state().await, "quarantined");
    let clear = log(json!({"event": "clear"})).await;
    // Without saying it, the entry came after those that stood.
    assert_eq!(clear["after"], json!([quarantine.id()]));
    assert_eq!(state().await, "serviceable");
    let void = kit.path(&format!("log-entries/{}/void", clear.id()));
    let _ = kit.member.post(&void, &json!({"reason": "that was the other shell"})).await.expect(200);
    assert_eq!(state().await, "quarantined");
    let list = |state: &str| {
        let (path, viewer) = (kit.path(&format!("items?state={state}")), &kit.viewer);
        async move { viewer.get(&path).await.expect(200) }
    };
    assert_eq!(list("quarantined").await["items"][0].text("name"), "shell");
    let rest = list("serviceable").await;
    assert_eq!((rest["items"].as_array().unwrap().len(), rest["items"][0].text("name")), (1, "tights"));
    assert_eq!(list("retired").await["items"], json!([]));
    let problem = kit.viewer.get(&kit.path("items?state=new")).await.problem("validation-failed");
    assert_eq!(problem["errors"][0]["pointer"], "?state");
}
