//! `K/conflicts`: what two people said against each other, kept, counted, settled.

mod facts;
mod heads;
mod list;
mod open;
mod sealed;
mod settle;

use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::device::{Device, statuses};
use uuid::Uuid;

/// Two devices of two people that both know the item at change 1.
pub async fn two_devices(app: &TestApp) -> (Kitroom, Device, Device, Uuid) {
    let kit = app.kitroom().await;
    let shell = new_id();
    let body = item("blue shell").with("id", shell.to_string()).with("size", "M");
    let body = body.with("attributes", json!({"pockets": 2}));
    let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    let (one, two) = (Device::new(&kit.keeper, kit.id), Device::new(&kit.owner, kit.id));
    (kit, one, two, shell)
}

/// The one conflict of a result.
#[track_caller]
pub fn conflict_of(result: &Value) -> Uuid {
    assert_eq!(result["status"], "conflict", "{result}");
    let ids = result["conflict_ids"].as_array().cloned().unwrap_or_default();
    assert_eq!(ids.len(), 1, "{result}");
    Uuid::parse_str(ids[0].as_str().unwrap()).unwrap()
}

/// A record as a resource shows it.
pub async fn shown(kit: &Kitroom, segment: &str, id: Uuid) -> Value {
    kit.viewer.get(&kit.path(&format!("{segment}/{id}"))).await.expect(200)
}

/// The keeper says L, the owner, without knowing, XL: answers the conflict.
pub async fn size_conflict(one: &mut Device, two: &mut Device, shell: Uuid) -> Uuid {
    let op = one.op("patch", "item", shell, 1, json!({"size": "L"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    let op =
        two.op("patch", "item", shell, 1, json!({"size": "XL"})).with("done_at", "2026-03-01T05:20:00.000Z");
    conflict_of(&two.push(&[op]).await[0])
}

/// The number of the kitroom's last change.
pub async fn head(app: &TestApp, kit: &Kitroom) -> i64 {
    app.scalar(&format!("select head_seq from kitrooms where id = '{}'", kit.id)).await
}

/// How many conflicts wait, as the poll says.
pub async fn open_conflicts(kit: &Kitroom) -> i64 {
    let overview = kit.viewer.get("/v1/sync").await.expect(200);
    let rooms = overview["kitrooms"].as_array().cloned().unwrap_or_default();
    let room = rooms.iter().find(|room| room["kitroom_id"] == json!(kit.id)).expect("the kitroom");
    room["open_conflicts"].as_i64().unwrap()
}
