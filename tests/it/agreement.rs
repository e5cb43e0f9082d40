//! Where the API document and the service once disagreed, as schemathesis found it.

use domain::wire::item::ItemKind;
use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{self, With, new_id};
use system_tests::harness::client::{Method, document};
use system_tests::harness::device::Device;

#[test]
fn document_of_an_items_kind_shows_the_names_on_the_wire() {
    let shown = &document()["components"]["schemas"]["ItemKind"]["enum"];
    let names: Vec<&str> = ItemKind::ALL.iter().map(|kind| kind.name()).collect();
    assert_eq!(*shown, json!(names));
}

#[actix_web::test]
async fn create_again_after_it_was_deleted_is_refused() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let body = bodies::scale().with("id", new_id().to_string());
    let made = kitroom.keeper.post(&kitroom.path("scales"), &body).await.expect(201);
    let path = kitroom.path(&format!("scales/{}", made.id()));
    assert_eq!(kitroom.keeper.deleting(&path, "*").send().await.status, 204);
    app.refuses(kitroom.keeper.posting(&kitroom.path("scales"), &body), "id-deleted").await;
}

#[actix_web::test]
async fn whole_number_with_a_decimal_point_is_a_whole_number() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let call = kitroom.owner.call(Method::POST, &kitroom.path("invitations"));
    let call =
        call.header("Content-Type", "application/json").body(r#"{"role": "viewer", "expires_in_h": 24.0}"#);
    let made = call.send().await.expect(201);
    assert!(made.text("expires_at") > made.text("created_at"));
    // The same request in the other spelling is the same op.
    let id = new_id();
    for (text, status) in [("400.0", 201), ("400", 200), ("4e2", 200), ("401", 409)] {
        let text =
            format!(r#"{{"id": "{id}", "name": "shell", "kind": "shell_jacket", "label_mass_g": {text}}}"#);
        let call = kitroom.keeper.call(Method::POST, &kitroom.path("items"));
        let reply = call.header("Content-Type", "application/json").body(text.clone()).send().await;
        assert_eq!(reply.status, status, "{text}: {}", reply.text());
    }
}

#[actix_web::test]
async fn null_where_a_name_stays_or_an_id_is_left_out_is_as_the_document_says() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    let _ = kitroom
        .keeper
        .post(&kitroom.path("items"), &bodies::item("shell").with("id", Value::Null))
        .await
        .expect(201);
    let room = format!("/v1/kitrooms/{}", kitroom.id);
    let tag = kitroom.owner.get(&room).await.etag();
    app.refuses(kitroom.owner.patching(&room, &tag, &json!({"name": null})), "validation-failed").await;
    for (schema, nullable) in [("UpdateKitroom", false), ("UpdateAccount", false), ("UpdateItem", true)] {
        let properties = &document()["components"]["schemas"][schema]["properties"];
        let field = if schema == "UpdateItem" { &properties["size"] } else { &properties["name"] };
        assert_eq!(field.to_string().contains("\"null\""), nullable, "{schema}: {field}");
    }
}

#[actix_web::test]
async fn text_with_a_nul_is_refused_wherever_it_stands() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    for query in ["q=%00", "kind=%00", "size=a%00b", "%00=1"] {
        let reply = kitroom.viewer.get(&kitroom.path(&format!("items?{query}"))).await;
        assert_eq!(reply.problem("validation-failed")["status"], 422, "{query}");
    }
    for body in [
        bodies::item("shell").with("attributes", json!({"colour": "\u{0}"})),
        bodies::item("shell").with("attributes", json!({"col\u{0}ur": 1})),
        bodies::item("a\u{0}b"),
        bodies::item("\u{0}"),
        bodies::item("shell").with("tag", "x\r"),
    ] {
        app.refuses(kitroom.keeper.posting(&kitroom.path("items"), &body), "validation-failed").await;
    }
    let mut device = Device::new(&kitroom.keeper, kitroom.id);
    let ops = [device.op("create", "item", new_id(), 0, bodies::item("a\u{0}b").with("\u{0}", 1))];
    for result in device.push(&ops).await {
        assert_eq!(result["status"], "rejected", "{result}");
    }
}

#[actix_web::test]
async fn op_with_a_number_that_readers_do_not_keep_is_refused() {
    let app = TestApp::start().await;
    let kitroom = app.kitroom().await;
    for (field, number) in [("op_no", 1_i64 << 53), ("base_seq", 1 << 53), ("op_no", 0), ("base_seq", -1)] {
        let mut device = Device::new(&kitroom.keeper, kitroom.id);
        let op = device.create_item(new_id(), "shell").with(field, number);
        app.refuses(device.pushing(&[op]), "validation-failed").await;
    }
}

#[actix_web::test]
async fn options_of_an_address_that_is_written_out_are_its_own() {
    let app = TestApp::start().await;
    for (path, allow) in [
        ("/v1/sessions/refresh", "POST"),
        ("/v1/sessions/current", "DELETE"),
        ("/v1/me", "GET, PATCH, DELETE"),
    ] {
        let reply = app.http.call(Method::OPTIONS, path).send().await;
        let _ = reply.problem("method-not-allowed");
        assert_eq!(reply.header("allow"), allow, "{path}");
    }
}
