//! Ids of another kitroom, by an owner of one's own: in the path, in a body, in a query, in a cursor, in an op. Each
//! answers as an id that nobody has.

use std::cell::Cell;

use domain::kinds::{KINDS, Kind};
use domain::sync::op::Action;
use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id};
use system_tests::harness::client::{Reply, document};
use system_tests::harness::device::Device;
use uuid::Uuid;

use super::scene::{Asker, MARK, Scene, operations};
use super::walk::plain;

/// One kitroom full of marked content, and another whose owner has no part in it.
struct Two<'a> {
    theirs: Scene<'a>,
    ours: Scene<'a>,
    us: Asker,
}

impl<'a> Two<'a> {
    async fn new(app: &'a TestApp) -> Self {
        let (theirs, ours) = (Scene::new(app).await, Scene::new(app).await);
        app.execute(&format!("update kitrooms set name = 'ours' where id = '{}'", ours.kitroom.id)).await;
        let us = ours.power().await;
        Self { theirs, ours, us }
    }
}

/// An answer with an id that was sent taken out of it.
fn without(value: &Value, id: Uuid) -> Value {
    let text = value.to_string().replace(&id.to_string(), "[id]");
    serde_json::from_str(&text).unwrap()
}

#[actix_web::test]
async fn path_with_a_foreign_record_answers_as_for_an_unknown_one() {
    let app = TestApp::start().await;
    let mut two = Two::new(&app).await;
    let own = two.us.http.get(&two.ours.kitroom.path(&format!("items/{}", two.ours.item().await))).await;
    two.theirs.tag = Some(own.etag());
    let mut seen = 0;
    for operation in operations() {
        if !operation.in_kitroom() || operation.params.len() < 2 {
            continue;
        }
        let own = two.ours.kitroom.id;
        let (sent, nobody) = (Cell::new(Uuid::nil()), new_id());
        let foreign = |param: &str, id| {
            if param == "kitroom_id" {
                return own;
            }
            sent.set(id);
            id
        };
        let unknown = |param: &str, _| if param == "kitroom_id" { own } else { nobody };
        let foreign = two.theirs.call_with(&operation, &two.us, foreign).await.send().await;
        let unknown = two.theirs.call_with(&operation, &two.us, unknown).await.send().await;
        let bare = |reply: &Reply, id| {
            let (status, headers, body) = plain(reply);
            (status, headers, without(&body, id))
        };
        assert_eq!(bare(&foreign, sent.get()), bare(&unknown, nobody), "{}", operation.id);
        assert_eq!(foreign.problem("not-found")["status"], 404, "{}", operation.id);
        seen += 1;
    }
    assert!(seen >= 13, "only {seen} operations take a record of a kitroom");
    // What is one's own and nobody else's.
    for (path, table) in [("sessions", "sessions"), ("device-tokens", "device_tokens")] {
        let stranger = two.theirs.kitroom.owner.account;
        app.open_session(stranger).await;
        let id: Uuid =
            app.scalar(&format!("select id from {table} where account_id = '{stranger}' limit 1")).await;
        let delete = |id: Uuid| two.us.http.call("DELETE".parse().unwrap(), &format!("/v1/{path}/{id}"));
        let (foreign, unknown) = (delete(id).send().await, delete(new_id()).send().await);
        assert_eq!(plain(&foreign), plain(&unknown), "{path}");
        assert_eq!(foreign.status, 404);
        let open = format!("select revoked_at is null from {table} where id = '{id}'");
        assert!(app.scalar::<bool>(&open).await, "{path}: a stranger's was revoked");
    }
}

async fn of_kind(scene: &Scene<'_>, kind: &str) -> Uuid {
    match kind {
        "loadout_entry" => scene.loadout_entry(scene.loadout().await).await,
        kind => scene.fresh(&format!("{kind}_id"), &scene.power().await).await,
    }
}

/// A body of ours in which one reference names this record.
async fn referring(two: &Two<'_>, kind: &Kind, field: &str, id: Uuid) -> Value {
    let mut body = two.ours.body(&format!("create_{}", kind.name), &two.us).await;
    if kind.name == "loadout_entry" {
        body = body.with("loadout_id", two.ours.loadout().await.to_string());
    }
    body = body.with(field, id.to_string());
    if ["sitting_id", "scale_id"].contains(&field) && kind.name == "weighing" {
        body = body.without("resolution_g");
    }
    body
}

#[actix_web::test]
async fn body_and_op_with_a_foreign_reference_answer_as_for_an_unknown_one() {
    let app = TestApp::start().await;
    let two = Two::new(&app).await;
    let mut seen = 0;
    let mut device = Device::new(&two.ours.kitroom.owner, two.ours.kitroom.id);
    for kind in KINDS {
        for reference in kind.refs {
            let ids = [of_kind(&two.theirs, reference.kind).await, new_id()];
            let mut rest = Vec::new();
            let mut pushed = Vec::new();
            for id in ids {
                let body = referring(&two, kind, reference.field, id).await;
                let before = app.count(kind.table).await;
                let (segment, sent, refused) =
                    match body.get("loadout_id").filter(|_| kind.name == "loadout_entry") {
                        // The address says the loadout.
                        Some(loadout) => {
                            let segment = format!("loadouts/{}/entries", loadout.as_str().unwrap());
                            let status = if reference.field == "loadout_id" { 404 } else { 422 };
                            (segment, body.clone().without("loadout_id"), status)
                        }
                        None => (kind.table.replace('_', "-"), body.clone(), 422),
                    };
                let reply = two.us.http.post(&two.ours.kitroom.path(&segment), &sent).await;
                assert_eq!(reply.status, refused, "{}.{}: {}", kind.name, reference.field, reply.text());
                assert_eq!(app.count(kind.table).await, before, "{}.{}", kind.name, reference.field);
                assert!(!reply.text().contains(MARK), "{}", reply.text());
                rest.push(without(&plain(&reply).2, id));

                let action = if kind.is_fact() { "append" } else { "create" };
                let op = device.op(action, kind.name, new_id(), 0, body);
                let result =
                    device.push(std::slice::from_ref(&op)).await.remove(0).without("op_id").without("seq");
                assert!(!result.to_string().contains(MARK), "{result}");
                pushed.push(without(&result, id));
            }
            assert_eq!(rest[0], rest[1], "{}.{}", kind.name, reference.field);
            assert_eq!(pushed[0], pushed[1], "{}.{}", kind.name, reference.field);
            seen += 1;
        }
    }
    assert!(seen >= 7, "only {seen} references");
}

#[actix_web::test]
async fn op_on_a_foreign_record_answers_as_for_an_unknown_one_and_leaves_it_alone() {
    let app = TestApp::start().await;
    let two = Two::new(&app).await;
    let mut device = Device::new(&two.ours.kitroom.owner, two.ours.kitroom.id);
    for kind in KINDS {
        let foreign = of_kind(&two.theirs, kind.name).await;
        let row = format!("select t::text from {} t where id = '{foreign}'", kind.table);
        let before: String = app.scalar(&row).await;
        let changes: &[(&str, Value)] = if kind.is_fact() {
            &[("void", json!({"reason": "not ours"}))]
        } else if kind.knows(Action::Settle) {
            &[("settle", json!({"keep": "kept"}))]
        } else {
            &[("patch", json!({"name": "stolen"})), ("delete", Value::Null), ("restore", Value::Null)]
        };
        for (action, content) in changes {
            let mut results = Vec::new();
            for id in [foreign, new_id()] {
                let op = device.op(action, kind.name, id, 0, content.clone());
                let result =
                    device.push(std::slice::from_ref(&op)).await.remove(0).without("op_id").without("seq");
                assert_eq!(result["status"], "rejected", "{action} {}: {result}", kind.name);
                results.push(without(&result, id));
            }
            assert_eq!(results[0], results[1], "{action} {}", kind.name);
        }
        assert_eq!(app.scalar::<String>(&row).await, before, "a {} of others was changed", kind.name);
    }
}

#[actix_web::test]
async fn create_under_an_id_that_another_kitroom_has_makes_a_record_of_its_own() {
    let app = TestApp::start().await;
    let two = Two::new(&app).await;
    let foreign = two.theirs.item().await;
    let row = format!("select t::text from items t where kitroom_id = '{}'", two.theirs.kitroom.id);
    let before: String = app.scalar(&row).await;
    let body = json!({"id": foreign, "name": "ours", "kind": "whistle"});
    let made = two.us.http.post(&two.ours.kitroom.path("items"), &body).await.expect(201);
    assert_eq!((made.text("name"), made.id()), ("ours", foreign));
    assert_eq!(app.scalar::<String>(&row).await, before);
}

#[actix_web::test]
async fn query_with_a_foreign_record_or_cursor_shows_nothing_of_it() {
    let app = TestApp::start().await;
    let two = Two::new(&app).await;
    for _ in 0..2 {
        two.theirs.weighing().await;
        two.theirs.check_reading().await;
        two.theirs.pocket().await;
        two.theirs.log_entry().await;
        two.theirs.stock_entry().await;
        two.theirs.season().await;
        two.theirs.seal().await;
        two.theirs.conflict().await;
    }
    let mut cursors = 0;
    for operation in operations() {
        let parameters = &document()["paths"][&operation.path]["get"]["parameters"];
        let takes =
            |name: &str| parameters.as_array().is_some_and(|all| all.iter().any(|p| p["name"] == name));
        if !operation.in_kitroom() || !takes("limit") {
            continue;
        }
        let under = operation.params.iter().any(|param| param == "loadout_id");
        let loadouts = match under {
            true => [two.theirs.loadout().await, two.ours.loadout().await],
            false => [Uuid::nil(); 2],
        };
        let at = |kitroom: Uuid, loadout: Uuid| {
            let path = operation.path.replace("{kitroom_id}", &kitroom.to_string());
            path.replace("{loadout_id}", &loadout.to_string())
        };
        let (theirs, ours) = (at(two.theirs.kitroom.id, loadouts[0]), at(two.ours.kitroom.id, loadouts[1]));
        if under {
            for _ in 0..2 {
                two.theirs.loadout_entry(loadouts[0]).await;
            }
        }
        let page = two.theirs.power().await.http.get(&format!("{theirs}?limit=1")).await.expect(200);
        let cursor = page["next_cursor"].as_str().unwrap_or_else(|| panic!("{}: {page}", operation.id));
        let reply = two.us.http.get(&format!("{ours}?cursor={cursor}")).await;
        assert_eq!(reply.problem("cursor-invalid")["status"], 400, "{}", operation.id);
        let outside = two.us.http.get(&format!("{theirs}?cursor={cursor}")).await;
        assert_eq!(outside.status, 404, "{}: a cursor is no key", operation.id);
        cursors += 1;
    }
    assert!(cursors >= 7, "only {cursors} lists");
    for (list, field, kind) in [
        ("weighings", "item_id", "item"),
        ("check-readings", "sitting_id", "sitting"),
        ("log-entries", "item_id", "item"),
        ("stock-entries", "item_id", "item"),
        ("loadouts", "race_id", "race"),
        ("seals", "loadout_id", "loadout"),
        ("conflicts", "record_id", "item"),
    ] {
        for id in [of_kind(&two.theirs, kind).await, new_id()] {
            let found =
                two.us.http.get(&two.ours.kitroom.path(&format!("{list}?{field}={id}"))).await.expect(200);
            assert_eq!(found, json!({"items": [], "next_cursor": null}), "{list}");
        }
    }
}
