use serde_json::Value;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::device::{Device, results_of};
use system_tests::proof::numbers::{self, Numbers};

/// How often in the test command; `sync-proof numbers N` repeats it more often.
const REPEATS: usize = 5;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn push_from_four_writers_beside_a_follower_loses_skips_and_doubles_nothing() {
    let app = TestApp::start().await;
    for repeat in 1..=REPEATS {
        let (acknowledged, numbers) = numbers::repeat(&app).await;
        assert_eq!((acknowledged, numbers), (2000, Numbers::default()), "repeat {repeat}");
    }
}

#[tokio::test]
async fn push_of_the_same_ops_at_once_is_applied_once() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops: Vec<Value> = (0..10).map(|n| device.create_item(new_id(), &format!("item {n}"))).collect();
    let calls: Vec<_> = (0..6).map(|_| tokio::spawn(device.pushing(&ops).send())).collect();
    let (mut fresh, mut answers) = (0, Vec::new());
    for call in calls {
        let results = results_of(&call.await.unwrap(), &ops);
        fresh += usize::from(results[0].get("replayed").is_none());
        answers.push(results.into_iter().map(|result| result.without("replayed")).collect::<Vec<_>>());
    }
    assert_eq!(fresh, 1);
    assert!(answers.iter().all(|results| results == &answers[0]));
    assert_eq!(app.count("items").await, 10);
}

#[tokio::test]
async fn push_and_resources_at_once_give_each_change_its_own_number() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut calls = Vec::new();
    for n in 0..10 {
        let mut device = Device::new(&kit.keeper, kit.id);
        let ops = [device.create_item(new_id(), &format!("pushed {n}"))];
        calls.push(tokio::spawn(device.pushing(&ops).send()));
        calls.push(tokio::spawn(kit.owner.posting(&kit.path("items"), &item(&format!("posted {n}"))).send()));
    }
    for call in calls {
        assert!([200, 201].contains(&call.await.unwrap().status));
    }
    let versions: String =
        app.scalar("select string_agg(version::text, ',' order by version) from items").await;
    assert_eq!(versions, (1..=20).map(|n| n.to_string()).collect::<Vec<_>>().join(","));
}
