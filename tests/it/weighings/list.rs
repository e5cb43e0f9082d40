use serde_json::Value;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};

#[tokio::test]
async fn list_weighings_of_one_item_page_by_page() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let one = kit.keeper.post(&kit.path("items"), &item("one")).await.expect(201).id();
    let two = kit.keeper.post(&kit.path("items"), &item("two")).await.expect(201).id();
    for n in 0..6 {
        let of = if n % 2 == 0 { one } else { two };
        let _ =
            kit.member.post(&kit.path("weighings"), &weighing(of, 400.0 + f64::from(n))).await.expect(201);
    }
    let (mut seen, mut next) = (Vec::new(), format!("{}?item_id={one}&limit=2", kit.path("weighings")));
    while !next.is_empty() {
        let reply = kit.viewer.get(&next).await;
        seen.extend(reply.expect(200)["items"].as_array().unwrap().iter().map(|w| w["reading_g"].clone()));
        let link = reply.header("link").strip_prefix('<').and_then(|rest| rest.split_once('>'));
        next = link.map(|(target, _)| target.to_owned()).unwrap_or_default();
    }
    assert_eq!(seen, [400, 402, 404].map(Value::from));
    let none = kit.viewer.get(&format!("{}?item_id={}", kit.path("weighings"), new_id())).await.expect(200);
    assert_eq!(none["items"], Value::Array(vec![]));
    let bad =
        kit.viewer.get(&format!("{}?item_id=7", kit.path("weighings"))).await.problem("validation-failed");
    assert_eq!(bad["errors"][0].text("pointer"), "?item_id");
}
