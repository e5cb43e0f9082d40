//! Whoever is no member of a kitroom learns nothing of it, operation by operation: every operation of the API document
//! has its row here, and one without a row fails.

use std::collections::{BTreeMap, BTreeSet};

use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, check_reading, item, new_id, scale, sitting, weighing_in};
use system_tests::harness::client::{Call, Http, Method, document};

/// What somebody gets who has no part in the kitroom.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum To {
    /// Anyone may ask.
    Anybody,
    /// Anyone with an account may ask, and gets only what is that account's own: this status.
    Own(u16),
    /// Only members: to all others there is nothing.
    Members,
}

const ROWS: &[(&str, To)] = &[
    ("get_health", To::Anybody),
    ("get_readiness", To::Anybody),
    ("get_metrics", To::Anybody),
    ("create_session", To::Anybody),
    ("refresh_session", To::Anybody),
    ("create_account", To::Anybody),
    ("list_sessions", To::Own(200)),
    // Somebody else's session.
    ("delete_session", To::Own(404)),
    ("get_account", To::Own(200)),
    ("update_account", To::Own(200)),
    // The example's password is not theirs.
    ("update_password", To::Own(422)),
    ("delete_account", To::Own(422)),
    ("get_export", To::Own(200)),
    // There is no such invitation.
    ("create_membership", To::Own(422)),
    ("list_members", To::Members),
    ("update_member", To::Members),
    ("delete_member", To::Members),
    ("create_invitation", To::Members),
    ("list_invitations", To::Members),
    ("delete_invitation", To::Members),
    ("create_device_token", To::Own(201)),
    ("list_device_tokens", To::Own(200)),
    // Somebody else's token.
    ("delete_device_token", To::Own(404)),
    ("get_sync", To::Own(200)),
    // The id in the example is not taken here.
    ("create_kitroom", To::Own(201)),
    ("list_kitrooms", To::Own(200)),
    ("get_kitroom", To::Members),
    ("update_kitroom", To::Members),
    ("delete_kitroom", To::Members),
    ("create_item", To::Members),
    ("list_items", To::Members),
    ("get_item", To::Members),
    ("update_item", To::Members),
    ("delete_item", To::Members),
    ("create_scale", To::Members),
    ("list_scales", To::Members),
    ("get_scale", To::Members),
    ("update_scale", To::Members),
    ("delete_scale", To::Members),
    ("create_sitting", To::Members),
    ("list_sittings", To::Members),
    ("get_sitting", To::Members),
    ("update_sitting", To::Members),
    ("delete_sitting", To::Members),
    ("create_check_reading", To::Members),
    ("list_check_readings", To::Members),
    ("get_check_reading", To::Members),
    ("void_check_reading", To::Members),
    ("create_weighing", To::Members),
    ("list_weighings", To::Members),
    ("get_weighing", To::Members),
    ("void_weighing", To::Members),
    ("list_changes", To::Members),
    ("push_ops", To::Members),
    ("get_digest", To::Members),
];

struct Operation {
    id: String,
    method: Method,
    path: String,
    media: Option<String>,
    example: Value,
}

fn operations() -> Vec<Operation> {
    let mut found = Vec::new();
    for (path, item) in document()["paths"].as_object().unwrap() {
        for (method, operation) in item.as_object().unwrap() {
            let content =
                operation["requestBody"]["content"].as_object().and_then(|content| content.iter().next());
            found.push(Operation {
                id: operation.text("operationId").to_owned(),
                method: method.to_uppercase().parse().unwrap(),
                path: path.clone(),
                media: content.map(|(media, _)| media.clone()),
                example: content.map(|(_, content)| content["example"].clone()).unwrap_or_default(),
            });
        }
    }
    found
}

/// A word that is in every record, and must be in no answer to others.
const SECRET: &str = "zq-secret-kit";

/// What stands in for each parameter of a path, and the tag of each address.
struct Filled {
    kit: Kitroom,
    parameters: BTreeMap<String, String>,
}

async fn filled(app: &TestApp) -> Filled {
    let kit = app.kitroom().await;
    app.execute(&format!("update kitrooms set name = '{SECRET}'")).await;
    let make = async |path: &str, body: Value| kit.keeper.post(&kit.path(path), &body).await.expect(201).id();
    let on = make("scales", scale().with("name", SECRET)).await;
    let at = make("sittings", sitting(on).with("note", SECRET)).await;
    let shell = make("items", item(SECRET)).await;
    let check = make("check-readings", check_reading(at, 201.0).with("note", SECRET)).await;
    let weighed = make("weighings", weighing_in(at, shell, 413.0).with("note", SECRET)).await;
    let token = kit.keeper.get("/v1/device-tokens").await.expect(200)["items"][0].id();
    let session = new_id();
    let invitation = new_id();
    app.execute(&format!(
        "insert into sessions (id, account_id, created_at, last_used_at) values ('{session}', '{0}', now(), now()); \
         insert into invitations (id, kitroom_id, token_hash, role, note, created_by, created_at, expires_at) \
         values ('{invitation}', '{1}', sha256('x'), 'member', '{SECRET}', '{0}', now(), now() + interval '1 day')",
        kit.keeper.account, kit.id
    ))
    .await;
    let ids = [
        ("session_id", session),
        ("invitation_id", invitation),
        ("account_id", kit.keeper.account),
        ("kitroom_id", kit.id),
        ("item_id", shell),
        ("scale_id", on),
        ("sitting_id", at),
        ("check_reading_id", check),
        ("weighing_id", weighed),
        ("token_id", token),
    ];
    let parameters = ids.into_iter().map(|(name, id)| (name.to_owned(), id.to_string())).collect();
    Filled { kit, parameters }
}

impl Filled {
    fn path(&self, operation: &Operation) -> String {
        let parts = operation.path.split('/').map(|part| match part.strip_prefix('{') {
            Some(name) => {
                let name = name.trim_end_matches('}');
                self.parameters
                    .get(name)
                    .unwrap_or_else(|| panic!("{}: no record for {name}", operation.id))
                    .clone()
            }
            None => part.to_owned(),
        });
        parts.collect::<Vec<_>>().join("/")
    }

    /// The call as the example has it, complete but for the right to make it.
    async fn call(&self, http: &Http, operation: &Operation) -> Call {
        let path = self.path(operation);
        let mut call = http.call(operation.method.clone(), &path);
        if [Method::PATCH, Method::DELETE].contains(&operation.method) {
            let reader = if path.contains("/kitrooms/") { &self.kit.owner.http } else { http };
            let tag = reader.get(&path).await.header("etag").to_owned();
            call = call.header("If-Match", if tag.is_empty() { "*" } else { &tag });
        }
        match &operation.media {
            Some(media) => call.header("Content-Type", media).body(operation.example.to_string()),
            None => call,
        }
    }
}

fn rows() -> BTreeMap<&'static str, To> {
    let rows: BTreeMap<_, _> = ROWS.iter().copied().collect();
    assert_eq!(rows.len(), ROWS.len(), "an operation has two rows");
    rows
}

#[test]
fn every_operation_has_a_row_and_every_row_an_operation() {
    let documented: BTreeSet<String> = operations().into_iter().map(|operation| operation.id).collect();
    let listed: BTreeSet<String> = rows().keys().map(|id| (*id).to_owned()).collect();
    assert_eq!(documented, listed);
}

#[test]
fn every_operation_that_is_not_open_says_so_in_the_document() {
    let rows = rows();
    for (path, item) in document()["paths"].as_object().unwrap() {
        for (_, operation) in item.as_object().unwrap() {
            let open = rows[operation.text("operationId")] == To::Anybody;
            assert_eq!(operation.get("security").is_none(), open, "{path}: {}", operation["operationId"]);
        }
    }
}

#[tokio::test]
async fn anonymous_and_outsiders_get_nothing_of_a_kitroom_from_any_operation() {
    let app = TestApp::start().await;
    let filled = filled(&app).await;
    let rows = rows();
    // With the most that an account can show: a login of this moment.
    let others = [app.log_in(&filled.kit.outsider).await, app.log_in(&filled.kit.removed).await];
    let kits = [
        "invitations",
        "items",
        "scales",
        "sittings",
        "check_readings",
        "weighings",
        "sync_index",
        "applied_ops",
    ];
    let mut before = Vec::new();
    for table in kits {
        before.push(app.scalar::<String>(&format!("select string_agg(t::text, '') from {table} t")).await);
    }
    for operation in operations() {
        let row = rows[operation.id.as_str()];
        let reply = filled.call(&filled.kit.anonymous, &operation).await.send().await;
        match row {
            To::Anybody => assert_ne!(reply.status, 404, "{}", operation.id),
            _ => {
                let _ = reply.problem("not-authenticated");
            }
        }
        assert!(!reply.text().contains(SECRET), "{}: {}", operation.id, reply.text());
        for other in &others {
            let reply = filled.call(other, &operation).await.send().await;
            match row {
                To::Anybody => {}
                To::Own(404) | To::Members => {
                    let _ = reply.problem("not-found");
                }
                // The second to make the example's kitroom meets the first's.
                To::Own(201) if reply.status == 409 => assert_eq!(operation.id, "create_kitroom"),
                To::Own(status) => assert_eq!(reply.status, status, "{}: {}", operation.id, reply.text()),
            }
            assert!(!reply.text().contains(SECRET), "{}: {}", operation.id, reply.text());
        }
    }
    for (table, before) in kits.iter().zip(before) {
        let now: String = app.scalar(&format!("select string_agg(t::text, '') from {table} t")).await;
        assert_eq!(before, now, "{table}");
    }
}

#[tokio::test]
async fn outsiders_get_the_same_answer_for_a_kitroom_that_is_there_and_one_that_is_not() {
    let app = TestApp::start().await;
    let filled = filled(&app).await;
    let nowhere = Filled {
        parameters: filled.parameters.keys().map(|name| (name.clone(), new_id().to_string())).collect(),
        kit: app.kitroom().await,
    };
    for operation in operations().iter().filter(|operation| operation.path.contains("{kitroom_id}")) {
        let mut answers = Vec::new();
        for place in [&filled, &nowhere] {
            // The same bytes but for the ids in the path.
            let mut call = filled.kit.outsider.call(operation.method.clone(), &place.path(operation));
            if [Method::PATCH, Method::DELETE].contains(&operation.method) {
                let epoch = new_id().simple().to_string();
                call = call.header("If-Match", &format!("\"{epoch}-1-00000000\""));
            }
            if let Some(media) = &operation.media {
                call = call.header("Content-Type", media).body(operation.example.to_string());
            }
            answers.push(call.send().await.problem("not-found").with("request_id", json!(null)));
        }
        assert_eq!(answers[0], answers[1], "{}", operation.id);
    }
}
