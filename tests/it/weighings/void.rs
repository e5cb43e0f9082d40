use serde_json::json;
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, weighing};
use system_tests::harness::redact::redacted;
use uuid::Uuid;

async fn weighed(app: &TestApp) -> (Kitroom, Uuid, String) {
    let kit = app.kitroom().await;
    let shell =
        kit.keeper.post(&kit.path("items"), &item("x").with("label_mass_g", 400)).await.expect(201).id();
    let made = kit.member.post(&kit.path("weighings"), &weighing(shell, 412.0)).await;
    (kit, shell, made.header("location").to_owned())
}

#[tokio::test]
async fn void_weighing_keeps_it_in_history_and_out_of_the_mass() {
    let app = TestApp::start().await;
    let (kit, shell, path) = weighed(&app).await;
    let voided = kit.member.post(&format!("{path}/void"), &json!({"reason": "the other shell"})).await;
    insta::assert_json_snapshot!(redacted(&voided.expect(200)["voided"]), @r#"
    {
      "at": "[time]",
      "by": "[id]",
      "reason": "the other shell"
    }
    "#);
    assert_eq!(kit.viewer.get(&path).await.expect(200), voided.expect(200));
    let shown = kit.viewer.get(&kit.path(&format!("items/{shell}"))).await.expect(200);
    assert_eq!((&shown["mass_g"], &shown["mass_basis"]), (&400.into(), &"label".into()));
    assert!(shown.get("last_weighed_at").is_none(), "{shown}");
}

#[tokio::test]
async fn void_weighing_again_changes_nothing() {
    let app = TestApp::start().await;
    let (kit, _, path) = weighed(&app).await;
    let void = format!("{path}/void");
    let first = kit.member.post(&void, &json!({"reason": "the other shell"})).await.expect(200);
    let again = kit.keeper.post(&void, &json!({"reason": "another reason"})).await.expect(200);
    assert_eq!(again, first);
}

#[tokio::test]
async fn void_weighing_is_for_its_author_and_for_keepers() {
    let app = TestApp::start().await;
    let (kit, _, path) = weighed(&app).await;
    let void = format!("{path}/void");
    let other = app.actor("Ottla").await;
    app.join(kit.id, &other, "member").await;
    for actor in [&other, &kit.viewer] {
        app.refuses(actor.posting(&void, &json!({"reason": "x"})), "forbidden").await;
    }
    let voided = kit.keeper.post(&void, &json!({"reason": "x"})).await.expect(200);
    assert_eq!(voided["voided"]["by"], kit.keeper.account.to_string());
}

#[tokio::test]
async fn void_weighing_without_a_reason_or_of_nothing_is_refused() {
    let app = TestApp::start().await;
    let (kit, _, path) = weighed(&app).await;
    for body in [
        json!({}),
        json!({"reason": ""}),
        json!({"reason": "x".repeat(401)}),
        json!({"reason": "x", "by": 1}),
    ] {
        app.refuses(kit.member.posting(&format!("{path}/void"), &body), "validation-failed").await;
    }
    let nowhere = kit.path(&format!("weighings/{}/void", new_id()));
    app.refuses(kit.member.posting(&nowhere, &json!({"reason": "x"})), "not-found").await;
}
