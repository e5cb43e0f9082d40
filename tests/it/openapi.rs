//! The API document: it is the code's, complete, and what it shows is true.

use std::collections::BTreeSet;

use api::platform::password::{PasswordCost, Passwords};
use domain::kinds::{KINDS, Nature};
use domain::wire::problem::{ErrorCode, PROBLEM_TYPE_PREFIX};
use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{self, With};
use system_tests::harness::client::{Http, Method, document};
use system_tests::harness::device::Device;
use system_tests::harness::redact::{assert_id, assert_time};
use uuid::Uuid;

fn operations() -> Vec<(&'static str, &'static str, &'static Value)> {
    let paths = document()["paths"].as_object().unwrap();
    let each = paths.iter().flat_map(|(path, item)| {
        item.as_object()
            .unwrap()
            .iter()
            .map(move |(method, operation)| (path.as_str(), method.as_str(), operation))
    });
    each.collect()
}

#[test]
fn committed_document_is_the_codes() {
    let committed =
        std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/../openapi/openapi.json")).unwrap();
    let now = api::openapi::to_json(&api::openapi::document());
    let line = committed.lines().zip(now.lines()).take_while(|(one, other)| one == other).count() + 1;
    assert!(committed == now, "differs from line {line} on; run: cargo xtask openapi");
}

#[test]
fn operation_ids_are_frozen() {
    // A client is generated from these names: one that goes or changes breaks it.
    let mut ids: Vec<String> = operations()
        .iter()
        .map(|(path, method, op)| format!("{} {method} {path}", op.text("operationId")))
        .collect();
    ids.sort_unstable();
    insta::assert_snapshot!(ids.join("\n"), @r"
    create_account post /v1/accounts
    create_check_reading post /v1/kitrooms/{kitroom_id}/check-readings
    create_device_token post /v1/device-tokens
    create_invitation post /v1/kitrooms/{kitroom_id}/invitations
    create_item post /v1/kitrooms/{kitroom_id}/items
    create_kitroom post /v1/kitrooms
    create_loadout post /v1/kitrooms/{kitroom_id}/loadouts
    create_loadout_entry post /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/entries
    create_log_entry post /v1/kitrooms/{kitroom_id}/log-entries
    create_membership post /v1/memberships
    create_pocket post /v1/kitrooms/{kitroom_id}/pockets
    create_race post /v1/kitrooms/{kitroom_id}/races
    create_resolution post /v1/kitrooms/{kitroom_id}/conflicts/{conflict_id}/resolution
    create_rule_sheet post /v1/kitrooms/{kitroom_id}/rule-sheets
    create_scale post /v1/kitrooms/{kitroom_id}/scales
    create_seal post /v1/kitrooms/{kitroom_id}/seals
    create_season post /v1/kitrooms/{kitroom_id}/seasons
    create_session post /v1/sessions
    create_sitting post /v1/kitrooms/{kitroom_id}/sittings
    create_stock_entry post /v1/kitrooms/{kitroom_id}/stock-entries
    create_weighing post /v1/kitrooms/{kitroom_id}/weighings
    delete_account delete /v1/me
    delete_device_token delete /v1/device-tokens/{token_id}
    delete_invitation delete /v1/kitrooms/{kitroom_id}/invitations/{invitation_id}
    delete_item delete /v1/kitrooms/{kitroom_id}/items/{item_id}
    delete_kitroom delete /v1/kitrooms/{kitroom_id}
    delete_loadout delete /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}
    delete_loadout_entry delete /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/entries/{entry_id}
    delete_member delete /v1/kitrooms/{kitroom_id}/members/{account_id}
    delete_pocket delete /v1/kitrooms/{kitroom_id}/pockets/{pocket_id}
    delete_race delete /v1/kitrooms/{kitroom_id}/races/{race_id}
    delete_rule_sheet delete /v1/kitrooms/{kitroom_id}/rule-sheets/{rule_sheet_id}
    delete_scale delete /v1/kitrooms/{kitroom_id}/scales/{scale_id}
    delete_season delete /v1/kitrooms/{kitroom_id}/seasons/{season_id}
    delete_session delete /v1/sessions/{session_id}
    delete_sitting delete /v1/kitrooms/{kitroom_id}/sittings/{sitting_id}
    find_lightest_set post /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/lightest-set
    get_account get /v1/me
    get_attention get /v1/kitrooms/{kitroom_id}/attention
    get_check_reading get /v1/kitrooms/{kitroom_id}/check-readings/{check_reading_id}
    get_conflict get /v1/kitrooms/{kitroom_id}/conflicts/{conflict_id}
    get_digest get /v1/kitrooms/{kitroom_id}/digest
    get_export get /v1/me/export
    get_head_forecast get /v1/kitrooms/{kitroom_id}/items/{item_id}/head-forecast
    get_head_forecast_picture get /v1/kitrooms/{kitroom_id}/items/{item_id}/head-forecast.svg
    get_health get /healthz
    get_item get /v1/kitrooms/{kitroom_id}/items/{item_id}
    get_kitroom get /v1/kitrooms/{kitroom_id}
    get_ledger get /v1/kitrooms/{kitroom_id}/ledger
    get_ledger_picture get /v1/kitrooms/{kitroom_id}/ledger.svg
    get_loadout get /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}
    get_loadout_comparison get /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/comparison
    get_loadout_entry get /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/entries/{entry_id}
    get_loadout_mass get /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/mass
    get_loadout_snapshot get /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/snapshot
    get_loadout_verdicts get /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/verdicts
    get_log_entry get /v1/kitrooms/{kitroom_id}/log-entries/{log_entry_id}
    get_mass_trend get /v1/kitrooms/{kitroom_id}/items/{item_id}/mass-trend
    get_mass_trend_picture get /v1/kitrooms/{kitroom_id}/items/{item_id}/mass-trend.svg
    get_metrics get /metrics
    get_pocket get /v1/kitrooms/{kitroom_id}/pockets/{pocket_id}
    get_race get /v1/kitrooms/{kitroom_id}/races/{race_id}
    get_race_plan get /v1/kitrooms/{kitroom_id}/races/{race_id}/plan
    get_readiness get /readyz
    get_rule_sheet get /v1/kitrooms/{kitroom_id}/rule-sheets/{rule_sheet_id}
    get_rule_sheet_schema get /v1/rule-sheet.schema.json
    get_runner get /v1/me/runner
    get_scale get /v1/kitrooms/{kitroom_id}/scales/{scale_id}
    get_seal get /v1/kitrooms/{kitroom_id}/seals/{seal_id}
    get_season get /v1/kitrooms/{kitroom_id}/seasons/{season_id}
    get_seen_item get /v1/kitrooms/{kitroom_id}/items/{item_id}/seen
    get_sitting get /v1/kitrooms/{kitroom_id}/sittings/{sitting_id}
    get_stock_entry get /v1/kitrooms/{kitroom_id}/stock-entries/{stock_entry_id}
    get_sync get /v1/sync
    get_weighing get /v1/kitrooms/{kitroom_id}/weighings/{weighing_id}
    list_attributes get /v1/attributes
    list_changes get /v1/kitrooms/{kitroom_id}/changes
    list_check_readings get /v1/kitrooms/{kitroom_id}/check-readings
    list_conflicts get /v1/kitrooms/{kitroom_id}/conflicts
    list_device_tokens get /v1/device-tokens
    list_invitations get /v1/kitrooms/{kitroom_id}/invitations
    list_items get /v1/kitrooms/{kitroom_id}/items
    list_kitrooms get /v1/kitrooms
    list_loadout_entries get /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/entries
    list_loadout_masses get /v1/kitrooms/{kitroom_id}/loadout-masses
    list_loadouts get /v1/kitrooms/{kitroom_id}/loadouts
    list_log_entries get /v1/kitrooms/{kitroom_id}/log-entries
    list_members get /v1/kitrooms/{kitroom_id}/members
    list_pockets get /v1/kitrooms/{kitroom_id}/pockets
    list_races get /v1/kitrooms/{kitroom_id}/races
    list_rule_sheets get /v1/kitrooms/{kitroom_id}/rule-sheets
    list_scales get /v1/kitrooms/{kitroom_id}/scales
    list_seals get /v1/kitrooms/{kitroom_id}/seals
    list_seasons get /v1/kitrooms/{kitroom_id}/seasons
    list_sessions get /v1/sessions
    list_sittings get /v1/kitrooms/{kitroom_id}/sittings
    list_stock_entries get /v1/kitrooms/{kitroom_id}/stock-entries
    list_weighings get /v1/kitrooms/{kitroom_id}/weighings
    push_ops post /v1/kitrooms/{kitroom_id}/ops
    refresh_session post /v1/sessions/refresh
    update_account patch /v1/me
    update_item patch /v1/kitrooms/{kitroom_id}/items/{item_id}
    update_kitroom patch /v1/kitrooms/{kitroom_id}
    update_loadout patch /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}
    update_loadout_entry patch /v1/kitrooms/{kitroom_id}/loadouts/{loadout_id}/entries/{entry_id}
    update_member patch /v1/kitrooms/{kitroom_id}/members/{account_id}
    update_password put /v1/me/password
    update_pocket patch /v1/kitrooms/{kitroom_id}/pockets/{pocket_id}
    update_race patch /v1/kitrooms/{kitroom_id}/races/{race_id}
    update_rule_sheet patch /v1/kitrooms/{kitroom_id}/rule-sheets/{rule_sheet_id}
    update_runner patch /v1/me/runner
    update_scale patch /v1/kitrooms/{kitroom_id}/scales/{scale_id}
    update_season patch /v1/kitrooms/{kitroom_id}/seasons/{season_id}
    update_sitting patch /v1/kitrooms/{kitroom_id}/sittings/{sitting_id}
    void_check_reading post /v1/kitrooms/{kitroom_id}/check-readings/{check_reading_id}/void
    void_log_entry post /v1/kitrooms/{kitroom_id}/log-entries/{log_entry_id}/void
    void_seal post /v1/kitrooms/{kitroom_id}/seals/{seal_id}/void
    void_stock_entry post /v1/kitrooms/{kitroom_id}/stock-entries/{stock_entry_id}/void
    void_weighing post /v1/kitrooms/{kitroom_id}/weighings/{weighing_id}/void
    ");
}

#[test]
fn every_operation_describes_itself_with_examples_and_problems() {
    for (path, method, operation) in operations() {
        let what = format!("{method} {path}");
        let words = operation["summary"].as_str().or(operation["description"].as_str()).unwrap_or_default();
        assert!(words.len() >= 8, "{what}: no words");
        assert_eq!(operation["tags"].as_array().map(Vec::len), Some(1), "{what}");
        let named: BTreeSet<&str> =
            path.split('/').filter_map(|part| part.strip_prefix('{')?.strip_suffix('}')).collect();
        let parameters = operation["parameters"].as_array().cloned().unwrap_or_default();
        let in_path = parameters.iter().filter(|parameter| parameter["in"] == "path");
        assert_eq!(in_path.map(|parameter| parameter.text("name")).collect::<BTreeSet<_>>(), named, "{what}");
        if let Some(content) = operation["requestBody"]["content"].as_object() {
            assert!(
                !content.is_empty() && content.values().all(|c| c["example"].is_object()),
                "{what}: no example"
            );
        }
        let responses = operation["responses"].as_object().unwrap();
        assert!(responses.keys().any(|status| status.starts_with('2')), "{what}: no success");
        for wanted in ["500", "503"] {
            assert!(responses.contains_key(wanted), "{what}: no {wanted}");
        }
        for (status, response) in responses {
            let content = response["content"].as_object().cloned().unwrap_or_default();
            let text = content.contains_key("text/plain");
            assert!(
                text || content.values().all(|c| !c["example"].is_null()),
                "{what}: {status} has no example"
            );
            assert_eq!(content.is_empty(), ["204", "304"].contains(&status.as_str()), "{what}: {status}");
            if status.as_str() >= "400" {
                let problem = &content["application/problem+json"]["example"];
                let slug = problem.text("type").strip_prefix(PROBLEM_TYPE_PREFIX).unwrap();
                let code =
                    ErrorCode::from_slug(slug).unwrap_or_else(|| panic!("{what}: {slug} is not registered"));
                assert_eq!(&code.status().to_string(), status, "{what}");
                assert_eq!(problem["title"], code.title());
            }
        }
    }
}

#[test]
fn every_reference_of_the_document_points_at_something() {
    fn check(value: &Value) {
        match value {
            Value::Object(map) => {
                if let Some(Value::String(reference)) = map.get("$ref") {
                    let pointer = reference.strip_prefix('#').unwrap();
                    assert!(document().pointer(pointer).is_some(), "{reference}");
                }
                map.values().for_each(check);
            }
            Value::Array(values) => values.iter().for_each(check),
            _ => {}
        }
    }
    check(document());
}

#[test]
fn every_schema_of_a_request_closes_itself_to_unknown_fields() {
    for (path, method, operation) in operations() {
        for content in operation["requestBody"]["content"].as_object().into_iter().flat_map(|c| c.values()) {
            let pointer = content["schema"].text("$ref").trim_start_matches('#').to_owned();
            let schema = document().pointer(&pointer).unwrap();
            assert_eq!(schema["additionalProperties"], false, "{method} {path}: {pointer}");
        }
    }
}

#[test]
fn every_problem_has_an_own_slug_and_a_status_that_fits() {
    let slugs: BTreeSet<&str> = ErrorCode::ALL.iter().map(|code| code.slug()).collect();
    assert_eq!(slugs.len(), ErrorCode::ALL.len());
    for code in ErrorCode::ALL {
        assert!((400..600).contains(&code.status()), "{}", code.slug());
        assert!(code.slug().bytes().all(|b| b.is_ascii_lowercase() || b == b'-'), "{}", code.slug());
        assert!(code.title().ends_with('.'), "{}", code.title());
    }
}

/// The example of an operation's request.
fn example(id: &str) -> (Method, &'static str, &'static str, &'static Value) {
    let (path, method, operation) =
        operations().into_iter().find(|(_, _, operation)| operation["operationId"] == id).unwrap();
    let (media, content) = operation["requestBody"]["content"].as_object().unwrap().iter().next().unwrap();
    (method.to_uppercase().parse().unwrap(), path, media, &content["example"])
}

/// What stands in an example for something that only a service can make.
#[derive(Debug, Default)]
struct Real {
    refresh_token: String,
    invitation: String,
    account: String,
    kitroom: String,
    conflict: String,
}

/// Sends the example of a request for the records of the other examples, and answers the response.
async fn send_example(http: &Http, id: &str, real: &Real) -> Value {
    let (method, path, media, body) = example(id);
    let mut filled = path.replace("{kitroom_id}", &real.kitroom).replace("{account_id}", &real.account);
    filled = filled.replace("{conflict_id}", &real.conflict);
    for kind in KINDS.iter().filter(|kind| kind.nature != Nature::Conflict) {
        let name = if kind.name == "loadout_entry" { "entry" } else { kind.name };
        let made = example(&format!("create_{}", kind.name)).3.text("id");
        filled = filled.replace(&format!("{{{name}_id}}"), made);
    }
    let mut body = body.clone();
    for (name, secret) in [("refresh_token", &real.refresh_token), ("invitation", &real.invitation)] {
        if body.get(name).is_some() {
            body[name] = secret.as_str().into();
        }
    }
    let mut call = http.call(method.clone(), &filled).header("Content-Type", media);
    if method == Method::PATCH || filled.ends_with("/resolution") {
        let read = http.get(filled.trim_end_matches("/resolution")).await;
        call = call.header("If-Match", read.header("etag"));
    }
    let reply = call.body(body.to_string()).send().await;
    assert!((200..300).contains(&reply.status), "{id}: {}", reply.text());
    serde_json::from_slice(&reply.body).unwrap_or_default()
}

/// The fields of an example and of a real answer, by name, where the answer has them.
fn assert_alike(id: &str, shown: &Value, real: &Value) {
    match (shown, real) {
        (Value::Object(shown), Value::Object(real)) => {
            for (name, value) in real {
                if let Some(shown) = shown.get(name) {
                    assert_alike(id, shown, value);
                }
            }
        }
        (Value::Array(_), Value::Array(_)) | (Value::Null, _) | (_, Value::Null) => {}
        (Value::String(shown), Value::String(_)) => {
            if shown.starts_with("019d") {
                assert_id(shown);
            } else if shown.starts_with("2026-") && shown.contains('T') {
                assert_time(shown);
            }
        }
        (shown, real) => {
            let same = std::mem::discriminant(shown) == std::mem::discriminant(real);
            assert!(same, "{id}: shows {shown}, answers {real}");
        }
    }
}

#[tokio::test]
async fn every_example_of_a_request_is_taken_by_the_service_and_answered_as_shown() {
    let app = TestApp::start().await;
    let login = example("create_session").3;
    let ada = app.actor("Ada").await;
    let hash =
        Passwords::new(PasswordCost::CHEAP).unwrap().hash(login.text("password").to_owned()).await.unwrap();
    app.execute(&format!(
        "update accounts set email = '{}', password_hash = '{hash}' where id = '{}'",
        login.text("email"),
        ada.account
    ))
    .await;
    // In the order in which each finds what it refers to; a club's, where a personal kitroom takes no such member.
    let order = [
        "create_session",
        "refresh_session",
        "create_device_token",
        "create_kitroom",
        "create_item",
        "create_scale",
        "create_sitting",
        "create_check_reading",
        "create_weighing",
        "create_pocket",
        "create_log_entry",
        "create_stock_entry",
        "create_season",
        "create_rule_sheet",
        "create_race",
        "create_loadout",
        "create_loadout_entry",
        "push_ops",
        "update_item",
        "create_resolution",
        "update_scale",
        "update_sitting",
        "update_pocket",
        "update_season",
        "update_rule_sheet",
        "update_race",
        "update_loadout",
        "update_loadout_entry",
        "find_lightest_set",
        "create_seal",
        "update_kitroom",
        "void_weighing",
        "void_check_reading",
        "void_log_entry",
        "void_stock_entry",
        "void_seal",
        "create_invitation",
        "create_membership",
        "update_member",
        "create_account",
        "update_account",
        "update_runner",
        "update_password",
        "delete_account",
    ];
    let with_body: BTreeSet<&str> = operations()
        .into_iter()
        .filter(|(_, _, operation)| operation["requestBody"].is_object())
        .map(|(_, _, operation)| operation.text("operationId"))
        .collect();
    assert_eq!(order.into_iter().collect::<BTreeSet<_>>(), with_body, "an example is never tried");
    let (bo, here) = (app.actor("Bo").await, app.log_in(&ada).await);
    let mut real = Real { kitroom: example("create_kitroom").3.text("id").to_owned(), ..Real::default() };
    for id in order {
        if id == "create_stock_entry" {
            // Of a kind of like units, which the example of an item is none of.
            let gels = bodies::gels("gel").with("id", example(id).3.text("item_id"));
            let path = format!("/v1/kitrooms/{}/items", real.kitroom);
            let _ = here.post(&path, &gels).await.expect(201);
        } else if id == "create_invitation" {
            let club =
                here.post("/v1/kitrooms", &json!({"name": "club kit", "purpose": "club"})).await.expect(201);
            real.kitroom = club.text("id").to_owned();
        } else if id == "create_account" {
            let path = format!("/v1/kitrooms/{}/invitations", real.kitroom);
            let more = here.post(&path, example("create_invitation").3).await.expect(201);
            real.invitation = more.text("token").to_owned();
        } else if id == "create_resolution" {
            // A device that knows nothing of the change of the item before.
            let item = Uuid::parse_str(example("create_item").3.text("id")).unwrap();
            let mut device = Device::new(&ada, Uuid::parse_str(&real.kitroom).unwrap());
            let op = device.op("patch", "item", item, 0, json!({"size": "XL"}));
            real.conflict = device.push(&[op]).await[0]["conflict_ids"][0].as_str().unwrap().to_owned();
        }
        let answer = match id {
            "create_membership" => send_example(&bo.http, id, &real).await,
            // Whoever changed the password has another than the example's now.
            "delete_account" => {
                let login = json!({"email": "keeper@example.org", "password": example(id).3["password"]});
                let session = app.http.post("/v1/sessions", &login).await.expect(201);
                send_example(&app.http.with_token(session.text("access_token")), id, &real).await
            }
            _ => send_example(&here, id, &real).await,
        };
        match id {
            "create_session" => real.refresh_token = answer.text("refresh_token").to_owned(),
            "create_invitation" => real.invitation = answer.text("token").to_owned(),
            "create_membership" => real.account = bo.account.to_string(),
            _ => {}
        }
        let operation = operations().into_iter().find(|(_, _, op)| op["operationId"] == id).unwrap().2;
        let shown = ["201", "200"].iter().find_map(|status| {
            operation["responses"].get(status)?["content"]["application/json"].get("example").cloned()
        });
        let empty = operation["responses"].get("204").is_some();
        assert_alike(
            id,
            &shown.unwrap_or_else(|| if empty { Value::Null } else { panic!("{id} shows no answer") }),
            &answer,
        );
    }
}
