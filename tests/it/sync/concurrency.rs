use std::collections::{BTreeMap, BTreeSet};
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};

use serde_json::Value;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};
use system_tests::harness::device::{Device, assert_page, digest_of, results_of};
use uuid::Uuid;

const WRITERS: usize = 4;
const BATCHES: usize = 20;
const FACTS: usize = 25;

/// Follows the feed page by page until it is told to stop and has caught up; answers what it was given.
async fn follow(device: Device, stop: Arc<AtomicBool>) -> BTreeMap<Uuid, i64> {
    let (mut seen, mut cursor, mut at) = (BTreeMap::new(), None::<String>, 0);
    loop {
        let stopping = stop.load(Ordering::SeqCst);
        let page = device.page(cursor.as_deref(), 40).await;
        assert_page(&page, at, 40);
        for change in page.changes {
            at = change.seq;
            let before = seen.insert(change.id, change.seq);
            assert!(before.is_none_or(|before| before < change.seq), "{} came twice", change.id);
        }
        cursor = Some(page.next_cursor);
        if stopping && !page.has_more {
            return seen;
        }
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn push_from_four_writers_beside_a_follower_loses_skips_and_doubles_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shells: Vec<Uuid> = (0..10).map(|_| new_id()).collect();
    for shell in &shells {
        let body = item("shell").with("id", shell.to_string());
        let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    }
    let stop = Arc::new(AtomicBool::new(false));
    let follower = tokio::spawn(follow(Device::new(&kit.viewer, kit.id), stop.clone()));
    let mut writers = Vec::new();
    for writer in 0..WRITERS {
        let actor = if writer % 2 == 0 { &kit.keeper } else { &kit.member };
        let (mut device, shells) = (Device::new(actor, kit.id), shells.clone());
        writers.push(tokio::spawn(async move {
            let mut acknowledged = Vec::new();
            for batch in 0..BATCHES {
                let ops: Vec<Value> = (0..FACTS)
                    .map(|n| {
                        let weighed = weighing(shells[n % shells.len()], 400.0 + n as f64);
                        device.op("append", "weighing", new_id(), 0, weighed)
                    })
                    .collect();
                let reply = device.pushing(&ops).send().await;
                let mut answers = vec![results_of(&reply, &ops)];
                if batch % 4 == 0 {
                    // The answer was lost, and two processes of the device send it again at once.
                    let (one, two) = (device.push(&ops), device.push(&ops));
                    let (one, two) = tokio::join!(one, two);
                    answers.extend([one, two]);
                }
                for results in &answers {
                    for (result, first) in results.iter().zip(&answers[0]) {
                        assert_eq!(result["status"], "applied", "{result}");
                        assert_eq!(result["seq"], first["seq"], "{result}");
                    }
                }
                let ids = ops.iter().map(|op| Uuid::parse_str(op.text("record_id")).unwrap());
                let seqs = answers[0].iter().map(|result| result["seq"].as_i64().unwrap());
                acknowledged.extend(ids.zip(seqs));
            }
            acknowledged
        }));
    }
    let mut acknowledged: BTreeMap<Uuid, i64> = BTreeMap::new();
    for writer in writers {
        acknowledged.extend(writer.await.unwrap());
    }
    stop.store(true, Ordering::SeqCst);
    let seen = follower.await.unwrap();

    let facts = WRITERS * BATCHES * FACTS;
    assert_eq!(acknowledged.len(), facts);
    // Never delivered: none. At another number than was acknowledged: none.
    let missed: Vec<_> = acknowledged.iter().filter(|(id, seq)| seen.get(id) != Some(seq)).collect();
    assert!(missed.is_empty(), "{} were never delivered: {missed:?}", missed.len());
    assert_eq!(seen.len(), facts + shells.len());
    // Acknowledged but not in the table: none; in it twice or unasked: none.
    assert_eq!(app.count("weighings").await as usize, facts);
    // Every number was given once: no change is hidden behind another.
    let head: i64 = app.scalar(&format!("select head_seq from kitrooms where id = '{}'", kit.id)).await;
    assert_eq!(head as usize, facts + shells.len());
    let device = Device::new(&kit.viewer, kit.id);
    let (changes, _) = device.pull(2000).await;
    let numbers: BTreeSet<i64> = changes.iter().map(|change| change.seq).collect();
    assert_eq!(numbers, (1..=head).collect());
    assert_eq!(device.digest().await.kinds, digest_of(&changes));
    let shown = kit.viewer.get(&format!("{}?limit=500", kit.path("items"))).await.expect(200);
    for item in shown["items"].as_array().unwrap() {
        assert!(item["mass_g"].is_number(), "{item}");
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
