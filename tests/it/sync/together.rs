//! Pushes of several devices that wait for one kitroom: they go through together, and each is answered as if alone.

use std::time::Duration;

use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::client::{Call, Reply};
use system_tests::harness::device::{Device, digest_of, refusal, results_of, statuses};
use tokio::task::JoinHandle;
use tokio::time::sleep;
use uuid::Uuid;

/// Sends all while the kitroom's lock is held by a transaction that then does `beside` and commits. The first call is the
/// first to wait, and goes through alone.
async fn send_while_locked(app: &TestApp, kitroom: Uuid, beside: &str, calls: Vec<Call>) -> Vec<Reply> {
    let sql = app.connection().await;
    let lock = format!("begin; select 1 from kitrooms where id = '{kitroom}' for update");
    sql.batch_execute(&lock).await.unwrap();
    let mut sent: Vec<JoinHandle<Reply>> = Vec::new();
    for call in calls {
        let is_first = sent.is_empty();
        sent.push(tokio::spawn(call.send()));
        while is_first && waiting_for_a_lock(app).await == 0 {
            sleep(Duration::from_millis(10)).await;
        }
    }
    sleep(Duration::from_millis(500)).await;
    sql.batch_execute(&format!("{beside}; commit")).await.unwrap();
    let mut replies = Vec::new();
    for call in sent {
        replies.push(call.await.unwrap());
    }
    replies
}

async fn waiting_for_a_lock(app: &TestApp) -> i64 {
    app.scalar("select count(*) from pg_stat_activity where datname = current_database() and wait_event_type = 'Lock'")
        .await
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn push_of_several_that_wait_is_answered_to_each_as_if_alone() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let leaver = app.actor("Lena").await;
    app.join(kit.id, &leaver, "keeper").await;
    let item = new_id();
    let mut first = Device::new(&kit.keeper, kit.id);
    first.push(&[first.clone().create_item(item, "shell jacket A")]).await;
    first.last_op_no = 1;

    let mut second = Device::new(&kit.owner, kit.id);
    let mut third = Device::new(&kit.keeper, kit.id);
    let mut forked = first.clone();
    let mut gap = Device::new(&kit.keeper, kit.id);
    let mut viewer = Device::new(&kit.viewer, kit.id);
    let mut leaving = Device::new(&leaver, kit.id);
    gap.last_op_no = 4;

    let size = |device: &mut Device, size: &str| [device.op("patch", "item", item, 1, json!({"size": size}))];
    let alone = size(&mut first, "M");
    forked.last_op_no = 0;
    let used = [forked.create_item(new_id(), "from a copy")];
    let contrary = size(&mut second, "L");
    let more = [third.create_item(new_id(), "head torch A"), third.create_item(new_id(), "head torch B")];
    let missing = [gap.create_item(new_id(), "after a gap")];
    let forbidden = [viewer.create_item(new_id(), "by a viewer")];
    let too_late = [leaving.create_item(new_id(), "by who has left")];

    let calls = vec![
        first.pushing(&alone),
        forked.pushing(&used),
        second.pushing(&contrary),
        third.pushing(&more),
        third.pushing(&more),
        gap.pushing(&missing),
        viewer.pushing(&forbidden),
        leaving.pushing(&too_late),
    ];
    let pushes = calls.len();
    let leave = format!("update memberships set removed_at = now() where account_id = '{}'", leaver.account);
    let before = app.count("commits").await;
    let replies = send_while_locked(&app, kit.id, &leave, calls).await;
    let [alone_in, used_in, contrary_in, more_in, again_in, missing_in, forbidden_in, late_in] =
        <[Reply; 8]>::try_from(replies).unwrap();

    assert_eq!(statuses(&results_of(&alone_in, &alone)), ["applied"]);
    let _ = used_in.problem("replica-forked");
    assert_eq!(statuses(&results_of(&contrary_in, &contrary)), ["conflict"]);
    let twice = [results_of(&more_in, &more), results_of(&again_in, &more)];
    let replayed = |results: &Vec<Value>| results.iter().all(|result| result.get("replayed").is_some());
    assert_eq!(twice.iter().filter(|results| replayed(results)).count(), 1);
    assert_eq!(
        (statuses(&twice[0]), twice[0][1]["seq"].as_i64()),
        (vec!["applied"; 2], twice[1][1]["seq"].as_i64())
    );
    assert_eq!(missing_in.problem("op-gap")["last_op_no"], 0);
    let refused = results_of(&forbidden_in, &forbidden);
    assert_eq!((statuses(&refused), refusal(&refused[0])), (vec!["rejected"], "forbidden"));
    let _ = late_in.problem("not-found");

    // They shared commits, and nothing of that shows in the feed: numbers without a gap, a digest that is right.
    let commits = app.count("commits").await - before;
    assert!(commits < i64::try_from(pushes).unwrap() - 4, "{commits} commits");
    let (changes, cursor) = third.pull(100).await;
    let head: i64 = app.scalar("select head_seq from kitrooms where head_seq > 0").await;
    assert_eq!(changes.iter().map(|change| change.seq).max(), Some(head));
    assert_eq!(digest_of(&changes), third.digest().await.kinds);
    for reply in [alone_in, contrary_in, more_in] {
        let ack = reply.expect(200).text("ack").to_owned();
        let _ = third.asking_with(Some(&cursor), &format!("ack={ack}")).send().await.expect(200);
    }
    // Each replica stands where its own ops end.
    assert_eq!(
        statuses(&third.push(&[third.clone().create_item(new_id(), "head torch C")]).await),
        ["applied"]
    );
    assert_eq!(
        statuses(&second.push(&[second.clone().create_item(new_id(), "head torch D")]).await),
        ["applied"]
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn push_that_the_database_refuses_does_not_spoil_those_that_wait_with_it() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    app.execute(
        "create function spoil() returns trigger language plpgsql as $$ begin \
         if new.body->>'name' = 'spoils' then raise 'it cannot be kept'; end if; return new; end $$; \
         create trigger spoil before insert on items for each row execute function spoil()",
    )
    .await;
    let mut devices: Vec<Device> = (0..4).map(|_| Device::new(&kit.keeper, kit.id)).collect();
    let ops: Vec<Vec<Value>> = (0..4)
        .map(|n| {
            let names = if n == 2 { ["before", "spoils", "behind"] } else { ["one", "two", "three"] };
            names.map(|name| devices[n].create_item(new_id(), name)).to_vec()
        })
        .collect();
    let calls = devices.iter().zip(&ops).map(|(device, ops)| device.pushing(ops)).collect();
    let replies = send_while_locked(&app, kit.id, "select 1", calls).await;
    for (n, (reply, ops)) in replies.iter().zip(&ops).enumerate() {
        let results = results_of(reply, ops);
        let expected = if n == 2 { ["applied", "not_attempted", "not_attempted"] } else { ["applied"; 3] };
        assert_eq!(statuses(&results), expected, "device {n}");
    }
    assert_eq!(app.count("items").await, 10);
    let (changes, _) = devices[0].pull(100).await;
    assert_eq!(changes.iter().map(|change| change.seq).collect::<Vec<_>>(), (1..=10).collect::<Vec<_>>());
    assert_eq!(digest_of(&changes), devices[0].digest().await.kinds);
}
