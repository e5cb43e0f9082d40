use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, gels, item, stock_entry};

#[tokio::test]
async fn create_stock_entry_moves_the_stock_that_the_item_shows() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let gel = kit.keeper.post(&kit.path("items"), &gels("gel")).await.expect(201).id();
    let at = kit.path(&format!("items/{gel}"));
    assert_eq!(kit.viewer.get(&at).await.expect(200).get("stock"), None, "never counted is not none");
    let post = |reason: &str, change: i64, at: &str| {
        let body = json!({"item_id": gel, "reason": reason, "change": change, "observed_at": at});
        let (path, member) = (kit.path("stock-entries"), &kit.member);
        async move { member.post(&path, &body).await.expect(201) }
    };
    let _ = post("bought", 24, "2026-03-01T10:00:00Z").await;
    let eaten = post("eaten", -7, "2026-04-01T10:00:00Z").await;
    assert_eq!(kit.viewer.get(&at).await.expect(200)["stock"], 17);
    let _ = post("counted", 15, "2026-05-01T10:00:00Z").await;
    let _ = post("expired", -2, "2026-06-01T10:00:00Z").await;
    let shown = kit.viewer.get(&at).await.expect(200);
    assert_eq!(
        (shown["stock"].as_i64(), shown.text("stock_counted_at")),
        (Some(13), "2026-05-01T10:00:00.000Z")
    );
    // What went out before the count is in the count.
    let void = kit.path(&format!("stock-entries/{}/void", eaten.id()));
    let _ = kit.member.post(&void, &json!({"reason": "typed twice"})).await.expect(200);
    assert_eq!(kit.viewer.get(&at).await.expect(200)["stock"], 13);
    let page = kit.viewer.get(&kit.path(&format!("stock-entries?item_id={gel}"))).await.expect(200);
    assert_eq!(page["items"].as_array().unwrap().len(), 4);
}

#[tokio::test]
async fn create_stock_entry_against_its_reason_or_of_a_single_thing_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let gel = kit.keeper.post(&kit.path("items"), &gels("gel")).await.expect(201).id();
    let shell = kit.keeper.post(&kit.path("items"), &item("shell")).await.expect(201).id();
    for (body, pointer) in [
        (stock_entry(gel).with("change", 0), "/change"),
        (stock_entry(gel).with("reason", "eaten"), "/change"),
        (stock_entry(gel).with("reason", "counted").with("change", -1), "/change"),
        (stock_entry(gel).with("change", 1.5), "/change"),
        (stock_entry(gel).with("change", 100_001), "/change"),
        (stock_entry(gel).with("reason", "stolen"), "/reason"),
        (stock_entry(shell), "/item_id"),
    ] {
        let problem =
            app.refuses(kit.member.posting(&kit.path("stock-entries"), &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
}
