//! What one kitroom, one account and one connection may take.

use std::time::{Duration, Instant};

use api::app::Settings;
use api::platform::limits::{Bounds, LoginLimits};
use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{self, With, new_id};
use system_tests::harness::device::{Device, refusal, statuses};
use tokio::io::{AsyncReadExt, AsyncWriteExt};
use tokio::net::TcpStream;

fn small(settings: &mut Settings) {
    settings.bounds = Bounds {
        records_per_kitroom: 5,
        kitrooms_per_account: 3,
        waits_per_account: 2,
        head: Duration::from_millis(500),
        body: Duration::from_millis(500),
    };
}

#[test]
fn bounds_of_production_are_those_of_the_documents() {
    let bounds = Bounds::PRODUCTION;
    assert_eq!((bounds.records_per_kitroom, bounds.kitrooms_per_account), (2_000_000, 100));
    assert_eq!(bounds.waits_per_account, 64);
    assert!(bounds.head <= Duration::from_secs(10) && bounds.body <= Duration::from_secs(30));
    let logins = LoginLimits::production(false);
    assert_eq!((logins.per_account.get(), logins.per_address.get()), (10, 60));
}

#[actix_web::test]
async fn create_in_a_full_kitroom_is_refused_and_changes_are_not() {
    let app = TestApp::start_with(small).await;
    let kitroom = app.kitroom().await;
    let (path, keeper) = (kitroom.path("items"), &kitroom.keeper);
    let mut last = Value::Null;
    for at in 0..5 {
        last = keeper.post(&path, &bodies::item(&format!("item {at}"))).await.expect(201);
    }
    let problem = app.refuses(keeper.posting(&path, &bodies::item("one more")), "quota-exceeded").await;
    assert_eq!(problem["records_at_most"], 5);
    app.refuses(
        keeper.posting(&kitroom.path("weighings"), &bodies::weighing(last.id(), 400.0)),
        "quota-exceeded",
    )
    .await;
    // The same request as before finds what it made; what is there can be changed and deleted.
    let again = bodies::item("item 4").with("id", last.id().to_string());
    assert!([200, 409].contains(&keeper.post(&path, &again).await.status));
    let at = format!("{path}/{}", last.id());
    let tag = keeper.get(&at).await.etag();
    let changed = keeper.patching(&at, &tag, &json!({"size": "L"})).send().await;
    assert_eq!(changed.expect(200).text("size"), "L");
    assert_eq!(keeper.deleting(&at, "*").send().await.status, 204);
    // A deleted record keeps its row, so that its room is not free.
    app.refuses(keeper.posting(&path, &bodies::item("one more")), "quota-exceeded").await;
    // Another kitroom is not full.
    let other = app.kitroom().await;
    let _ = other.keeper.post(&other.path("items"), &bodies::item("first")).await.expect(201);
}

#[actix_web::test]
async fn push_beyond_the_quota_takes_the_groups_that_fit_and_refuses_the_others_whole() {
    let app = TestApp::start_with(small).await;
    let kitroom = app.kitroom().await;
    let mut device = Device::new(&kitroom.keeper, kitroom.id);
    let item = new_id();
    let mut ops = vec![device.create_item(item, "shell")];
    for _ in 0..3 {
        ops.push(device.create_item(new_id(), "glove"));
    }
    ops.push(device.op_in("pair", "create", "item", new_id(), bodies::item("fits")));
    ops.push(device.op_in("pair", "create", "item", new_id(), bodies::item("does not")));
    ops.push(device.create_item(new_id(), "fits in the place of the pair"));
    ops.push(device.create_item(new_id(), "does not"));
    ops.push(device.op("patch", "item", item, 1, json!({"size": "L"})));
    let results = device.push(&ops).await;
    let wanted = [
        "applied", "applied", "applied", "applied", "rejected", "rejected", "applied", "rejected", "applied",
    ];
    assert_eq!(statuses(&results), wanted, "{results:?}");
    let refused: Vec<&str> = [4, 5, 7].iter().map(|at| refusal(&results[*at])).collect();
    assert_eq!(refused, ["group-member-rejected", "quota-exceeded", "quota-exceeded"]);
    assert_eq!(app.count("items").await, 5);
    // The same push again gets the same answers.
    assert_eq!(statuses(&device.push(&ops).await), wanted);
}

#[actix_web::test]
async fn kitrooms_of_one_account_are_bounded() {
    let app = TestApp::start_with(small).await;
    let actor = app.actor("Runa").await;
    let body = |name: &str| json!({"name": name, "purpose": "club"});
    let mut made = Vec::new();
    for at in 0..3 {
        made.push(actor.post("/v1/kitrooms", &body(&format!("club {at}"))).await.expect(201));
    }
    app.refuses(actor.posting("/v1/kitrooms", &body("one more")), "quota-exceeded").await;
    app.execute(&format!("update kitrooms set deleted_at = now() where id = '{}'", made[0].id())).await;
    let _ = actor.post("/v1/kitrooms", &body("in its place")).await.expect(201);
}

/// Sends some bytes, then nothing; answers what came back until the service closed, and after how long.
async fn trickle(app: &TestApp, bytes: &str) -> (String, Duration) {
    let mut stream = TcpStream::connect(app.http.base().trim_start_matches("http://")).await.unwrap();
    stream.write_all(bytes.as_bytes()).await.unwrap();
    let begun = Instant::now();
    let mut answer = Vec::new();
    let read = tokio::time::timeout(Duration::from_secs(20), stream.read_to_end(&mut answer)).await;
    assert!(read.is_ok(), "still open after 20 s: {}", String::from_utf8_lossy(&answer));
    (String::from_utf8_lossy(&answer).into_owned(), begun.elapsed())
}

#[actix_web::test]
async fn head_sent_in_part_is_closed() {
    let app = TestApp::start_with(small).await;
    let (answer, took) = trickle(&app, "GET /v1/me HTTP/1.1\r\nHost: x\r\nX-Slow: ").await;
    assert!(took >= Duration::from_millis(400), "{took:?}");
    assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 408"), "{answer}");
    let (answer, _) = trickle(&app, "").await;
    assert!(answer.is_empty() || answer.starts_with("HTTP/1.1 408"), "{answer}");
    let whole = "GET /healthz HTTP/1.1\r\nHost: x\r\nConnection: close\r\n\r\n";
    assert!(trickle(&app, whole).await.0.starts_with("HTTP/1.1 200"));
}

#[actix_web::test]
async fn body_sent_in_part_is_answered_and_closed() {
    let app = TestApp::start_with(small).await;
    let head = "POST /v1/sessions HTTP/1.1\r\nHost: x\r\nContent-Type: application/json\r\nContent-Length: 500\r\n\r\n";
    let (answer, took) = trickle(&app, &format!("{head}{{\"email\": \"")).await;
    assert!(took >= Duration::from_millis(400), "{took:?}");
    assert!(
        answer.starts_with("HTTP/1.1 400") && answer.contains("urn:tarebook:problem:bad-request"),
        "{answer}"
    );
}
