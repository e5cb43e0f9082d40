//! Questions that wait for a change: answered when it comes, from whichever process, and never in anybody's way.

use std::time::{Duration, Instant};

use serde_json::json;
use system_tests::harness::actors::{Actor, Kitroom};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::client::Reply;
use system_tests::harness::device::{Device, changes_of, lines_of, seq_of};
use tokio::task::JoinHandle;

const SOON: Duration = Duration::from_secs(3);

/// A kitroom with one item, and the cursor behind it.
async fn started(app: &TestApp) -> (Kitroom, String) {
    let kit = app.kitroom().await;
    let _ = kit.keeper.post(&kit.path("items"), &item("first")).await.expect(201);
    let cursor = Device::new(&kit.keeper, kit.id).page(None, 10).await.next_cursor;
    (kit, cursor)
}

/// Asks and waits; answers what came, and after how long.
fn waiting(actor: &Actor, kit: &Kitroom, cursor: &str, wait_s: u64) -> JoinHandle<(Reply, Duration)> {
    let call = Device::new(actor, kit.id).asking_with(Some(cursor), &format!("wait_s={wait_s}"));
    tokio::spawn(async move {
        let begun = Instant::now();
        (call.send().await, begun.elapsed())
    })
}

async fn a_moment() {
    tokio::time::sleep(Duration::from_millis(400)).await;
}

#[tokio::test]
async fn list_changes_that_waits_is_answered_when_a_change_comes() {
    let app = TestApp::start().await;
    let (kit, cursor) = started(&app).await;
    let waiting = [&kit.viewer, &kit.member].map(|actor| waiting(actor, &kit, &cursor, 30));
    a_moment().await;
    let other = app.kitroom().await;
    let _ = other.keeper.post(&other.path("items"), &item("elsewhere")).await.expect(201);
    assert!(waiting.iter().all(|one| !one.is_finished()), "another kitroom's change is no reason");
    let _ = kit.keeper.post(&kit.path("items"), &item("second")).await.expect(201);
    let changed = Instant::now();
    for one in waiting {
        let (reply, _) = one.await.unwrap();
        assert!(changed.elapsed() < SOON, "{:?}", changed.elapsed());
        assert_eq!(reply.expect(200)["changes"][0]["record"]["name"], "second");
    }
}

#[tokio::test]
async fn list_changes_that_may_wait_is_answered_at_once_when_there_is_something() {
    let app = TestApp::start().await;
    let (kit, cursor) = started(&app).await;
    let _ = kit.keeper.post(&kit.path("items"), &item("second")).await.expect(201);
    let (reply, took) = waiting(&kit.viewer, &kit, &cursor, 30).await.unwrap();
    assert_eq!(reply.expect(200)["changes"].as_array().unwrap().len(), 1);
    assert!(took < SOON, "{took:?}");
    // Whoever has no cursor yet gets one at once, in an empty kitroom too.
    let empty = app.kitroom().await;
    let begun = Instant::now();
    let reply = Device::new(&empty.viewer, empty.id).asking_with(None, "wait_s=30").send().await;
    assert_eq!(reply.expect(200)["changes"], json!([]));
    assert!(begun.elapsed() < SOON);
}

#[tokio::test]
async fn list_changes_that_waited_for_nothing_says_so_with_a_cursor_to_go_on_from() {
    let app = TestApp::start().await;
    let (kit, cursor) = started(&app).await;
    let (reply, took) = waiting(&kit.viewer, &kit, &cursor, 1).await.unwrap();
    let page = reply.expect(200);
    assert_eq!((&page["changes"], &page["has_more"]), (&json!([]), &json!(false)));
    assert_eq!(seq_of(page.text("next_cursor")), 1);
    assert!((1.0..4.0).contains(&took.as_secs_f64()), "{took:?}");
}

#[tokio::test]
async fn list_changes_that_waits_hears_of_what_another_process_changes() {
    let app = TestApp::start().await;
    let (kit, cursor) = started(&app).await;
    let one = waiting(&kit.viewer, &kit, &cursor, 30);
    a_moment().await;
    // As another service on the same database does it: this one is told nothing.
    let held = new_id();
    app.execute(&format!(
        "insert into items (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body) \
         values ('{0}', '{held}', 2, '{{\"\": {{\"s\": 2}}}}', '{1}', now(), false, false, '{{\"name\": \"second\", \"kind\": \"other\"}}'); \
         insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash) values ('{0}', 'item', '{held}', 2, false, 0); \
         insert into commits (kitroom_id, last_seq, mark, committed_at) \
         values ('{0}', 2, decode('000102030405060708090a0b0c0d0e0f', 'hex'), now()); \
         update kitrooms set head_seq = 2 where id = '{0}'",
        kit.id, kit.keeper.account
    ))
    .await;
    let changed = Instant::now();
    let (reply, _) = one.await.unwrap();
    assert_eq!(reply.expect(200)["changes"][0]["record"]["name"], "second");
    assert!(changed.elapsed() < SOON, "{:?}", changed.elapsed());
    // A new epoch is a change as well.
    let next = Device::new(&kit.viewer, kit.id).page(Some(&cursor), 10).await.next_cursor;
    let one = waiting(&kit.viewer, &kit, &next, 30);
    a_moment().await;
    app.execute(&format!("update kitrooms set epoch = '{}' where id = '{}'", new_id(), kit.id)).await;
    let (reply, took) = one.await.unwrap();
    let _ = reply.problem("epoch-changed");
    assert!(took < SOON, "{took:?}");
}

#[tokio::test]
async fn list_changes_that_waits_gives_nothing_to_whoever_may_no_longer_ask() {
    let app = TestApp::start().await;
    let (kit, cursor) = started(&app).await;
    // Removed while waiting.
    let one = waiting(&kit.viewer, &kit, &cursor, 30);
    a_moment().await;
    let path = kit.path(&format!("members/{}", kit.viewer.account));
    assert_eq!(kit.owner.call(system_tests::harness::client::Method::DELETE, &path).send().await.status, 204);
    let (reply, took) = one.await.unwrap();
    let _ = reply.problem("not-found");
    assert!(took < SOON, "{took:?}");
    // The device's token ended while waiting.
    let one = waiting(&kit.member, &kit, &cursor, 30);
    a_moment().await;
    let tokens = kit.member.get("/v1/device-tokens").await.expect(200);
    let login = app.log_in(&kit.member).await;
    let path = format!("/v1/device-tokens/{}", tokens["items"][0].id());
    assert_eq!(login.call(system_tests::harness::client::Method::DELETE, &path).send().await.status, 204);
    let _ = kit.keeper.post(&kit.path("items"), &item("second")).await.expect(201);
    let (reply, took) = one.await.unwrap();
    let _ = reply.problem("not-authenticated");
    assert!(took < SOON, "{took:?}");
}

#[tokio::test]
async fn list_changes_that_waits_holds_no_connection() {
    let app = TestApp::start_with(|settings| {
        (settings.connections, settings.workers) = (1, 1);
    })
    .await;
    let (kit, cursor) = started(&app).await;
    let many: Vec<_> = (0..20).map(|_| waiting(&kit.viewer, &kit, &cursor, 30)).collect();
    a_moment().await;
    for n in 0..5 {
        let begun = Instant::now();
        let _ = kit.keeper.get(&kit.path("items")).await.expect(200);
        assert!(begun.elapsed() < SOON, "{n}: {:?}", begun.elapsed());
    }
    let _ = kit.keeper.post(&kit.path("items"), &item("second")).await.expect(201);
    for one in many {
        assert_eq!(one.await.unwrap().0.expect(200)["changes"].as_array().unwrap().len(), 1);
    }
}

#[tokio::test]
async fn list_changes_beyond_the_bound_of_an_account_ends_its_oldest_wait_and_nobody_elses() {
    let app = TestApp::start_with(|settings| {
        settings.bounds.waits_per_account = 2;
    })
    .await;
    let (kit, cursor) = started(&app).await;
    let other = waiting(&kit.member, &kit, &cursor, 30);
    let mut own = Vec::new();
    for _ in 0..3 {
        own.push(waiting(&kit.viewer, &kit, &cursor, 30));
        a_moment().await;
    }
    assert!(own[0].is_finished() && !own[1].is_finished() && !own[2].is_finished() && !other.is_finished());
    let page = own.remove(0).await.unwrap().0.expect(200);
    assert_eq!((&page["changes"], seq_of(page.text("next_cursor"))), (&json!([]), 1));
    let _ = kit.keeper.post(&kit.path("items"), &item("second")).await.expect(201);
    for one in own.into_iter().chain([other]) {
        assert_eq!(one.await.unwrap().0.expect(200)["changes"].as_array().unwrap().len(), 1);
    }
}

#[tokio::test]
async fn list_changes_as_lines_waits_as_pages_do() {
    let app = TestApp::start().await;
    let (kit, cursor) = started(&app).await;
    let call = Device::new(&kit.viewer, kit.id).asking_with(Some(&cursor), "wait_s=30");
    let one = tokio::spawn(call.header("Accept", "application/x-ndjson").send());
    a_moment().await;
    assert!(!one.is_finished());
    let _ = kit.keeper.post(&kit.path("items"), &item("second")).await.expect(201);
    let changes = changes_of(&lines_of(&one.await.unwrap().body));
    assert_eq!(changes.iter().map(|change| change.seq).collect::<Vec<_>>(), [2]);
}

#[tokio::test]
async fn list_changes_is_given_each_change_once_by_whoever_goes_on_waiting() {
    let app = TestApp::start().await;
    let (kit, mut cursor) = started(&app).await;
    let writer = kit.owner.clone();
    let path = kit.path("items");
    let writing = tokio::spawn(async move {
        for n in 0..30 {
            let _ = writer.post(&path, &item(&format!("item {n}"))).await.expect(201);
            tokio::time::sleep(Duration::from_millis(n % 7 * 5)).await;
        }
    });
    let device = Device::new(&kit.viewer, kit.id);
    let mut seqs = Vec::new();
    while seqs.len() < 30 {
        let page = device.asking_with(Some(&cursor), "wait_s=10").send().await.expect(200);
        let changes = page["changes"].as_array().unwrap();
        assert!(!changes.is_empty(), "a wait ended without what was written");
        seqs.extend(changes.iter().map(|change| change["seq"].as_i64().unwrap()));
        cursor = page.text("next_cursor").to_owned();
    }
    writing.await.unwrap();
    assert_eq!(seqs, (2..=31).collect::<Vec<_>>());
}
