use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, log_entry};

#[tokio::test]
async fn list_log_entries_of_an_item_and_an_event_holds_no_others() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut items = Vec::new();
    for name in ["shell", "tights"] {
        let id = kit.keeper.post(&kit.path("items"), &item(name)).await.expect(201).id();
        let _ = kit.member.post(&kit.path("log-entries"), &log_entry(id)).await.expect(201);
        let wash = json!({"item_id": id, "event": "wash"});
        let _ = kit.member.post(&kit.path("log-entries"), &wash).await.expect(201);
        items.push(id);
    }
    let list = |query: String| {
        let path = kit.path(&format!("log-entries{query}"));
        let viewer = &kit.viewer;
        async move {
            let page = viewer.get(&path).await.expect(200);
            page["items"]
                .as_array()
                .unwrap()
                .iter()
                .map(|entry| entry.text("event").to_owned())
                .collect::<Vec<_>>()
        }
    };
    assert_eq!(list(String::new()).await, ["use", "wash", "use", "wash"]);
    assert_eq!(list(format!("?item_id={}", items[0])).await, ["use", "wash"]);
    assert_eq!(list(format!("?item_id={}&event=wash", items[1])).await, ["wash"]);
    let problem = kit.viewer.get(&kit.path("log-entries?event=dance")).await.problem("validation-failed");
    assert_eq!(problem["errors"][0]["pointer"], "?event");
}
