//! Every operation by everybody, as the table says; and nothing of the kitroom in an answer to somebody outside.

use std::collections::BTreeSet;

use serde_json::Value;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::new_id;
use system_tests::harness::client::Reply;

use super::scene::{MARK, Scene, operations};
use super::table::{ACTORS, NOTES, ROWS};

#[test]
fn table_every_operation_of_the_document_has_one_row() {
    let documented: BTreeSet<String> = operations().into_iter().map(|operation| operation.id).collect();
    let rows: Vec<&str> = ROWS.iter().map(|row| row.operation).collect();
    let unique: BTreeSet<String> = rows.iter().map(|row| (*row).to_owned()).collect();
    assert_eq!(unique, documented, "add the row of a new operation to tests/it/authz/table.rs");
    assert_eq!(unique.len(), rows.len(), "a row stands there twice");
    for (operation, _) in NOTES {
        assert!(rows.contains(operation), "a note on {operation}, which is none");
    }
}

/// The answer without what differs from request to request.
pub fn plain(reply: &Reply) -> (u16, Vec<String>, Value) {
    let mut body: Value = serde_json::from_slice(&reply.body).unwrap_or_else(|_| reply.text().into());
    if let Value::Object(map) = &mut body {
        map.remove("request_id");
    }
    let headers = reply.headers.iter().filter(|(name, _)| !["x-request-id", "date"].contains(&name.as_str()));
    let mut headers: Vec<String> = headers.map(|(name, value)| format!("{name}: {value:?}")).collect();
    headers.sort_unstable();
    (reply.status, headers, body)
}

fn is_as_said(reply: &Reply, outcome: &str) -> bool {
    match outcome.parse::<u16>() {
        Ok(status) => reply.status == status,
        Err(_) => reply.text().contains(&format!("urn:tarebook:problem:{outcome}\"")),
    }
}

#[actix_web::test]
async fn every_operation_by_everybody_is_as_the_table_says() {
    let app = TestApp::start().await;
    let mut shared = Scene::new(&app).await;
    let mut wrong = Vec::new();
    let mut used_up = false;
    for operation in operations() {
        if operation.uses_up_the_scene() {
            used_up = true;
        } else if std::mem::take(&mut used_up) {
            shared = Scene::new(&app).await;
        }
        let row = ROWS.iter().find(|row| row.operation == operation.id).expect("the test above");
        for (column, outcome) in row.outcomes.iter().enumerate() {
            if operation.uses_up_the_scene() {
                shared = Scene::new(&app).await;
                if operation.id == "delete_account" {
                    // The last owner may not go; that has a test of its own.
                    let other = app.actor("Olaf").await;
                    app.join(shared.kitroom.id, &other, "owner").await;
                }
            }
            let asker = shared.asker(column).await;
            let reply = shared.call(&operation, &asker, None).await.send().await;
            if !is_as_said(&reply, outcome) {
                let said = reply.text();
                wrong.push(format!(
                    "{} by {}: {} wanted, {} came: {said}",
                    row.operation, ACTORS[column], outcome, reply.status
                ));
            }
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

#[actix_web::test]
async fn every_operation_by_somebody_outside_shows_nothing_and_answers_as_for_an_unknown_kitroom() {
    let app = TestApp::start().await;
    let scene = Scene::new(&app).await;
    scene.weighing().await;
    for operation in operations() {
        for column in [0, 1, 2] {
            let asker = scene.asker(column).await;
            let reply = scene.call(&operation, &asker, None).await.send().await;
            let shown = format!("{:?} {}", reply.headers, reply.text());
            let whose = format!("{} by {}", operation.id, ACTORS[column]);
            // An invitation's secret shows what it was made for; the removed are told from where.
            let entitled = ["create_membership", "create_account"].contains(&operation.id.as_str());
            assert!(entitled || !shown.contains(MARK), "{whose} shows {shown}");
            if !operation.in_kitroom() {
                if operation.uses_up_the_scene() {
                    break;
                }
                let told = operation.id == "get_sync" && column == 2;
                let id = scene.kitroom.id.to_string();
                assert!(entitled || told || !shown.contains(&id), "{whose} shows {shown}");
                continue;
            }
            let unknown = scene.call(&operation, &asker, Some(new_id())).await.send().await;
            assert_eq!(plain(&reply), plain(&unknown), "{whose}: foreign and unknown differ");
            assert_eq!(reply.status, if column == 0 { 401 } else { 404 }, "{whose}: {shown}");
        }
    }
}
