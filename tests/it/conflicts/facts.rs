use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id, weighing};
use system_tests::harness::device::statuses;

use super::{conflict_of, head, open_conflicts, shown, two_devices};

#[tokio::test]
async fn push_facts_for_what_was_deleted_keeps_them_under_one_conflict() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("delete", "item", shell, 1, Value::Null);
    one.push(&[op]).await;
    let facts = [new_id(), new_id()];
    let ops: Vec<Value> =
        facts.iter().map(|id| two.op("append", "weighing", *id, 1, weighing(shell, 412.0))).collect();
    let results = two.push(&ops).await;
    let conflict = conflict_of(&results[0]);
    assert_eq!(results[1]["conflict_ids"], results[0]["conflict_ids"]);
    assert_eq!(app.count("weighings").await, 2);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!(stored["about"], "deleted_vs_fact");
    assert_eq!((&stored["kind"], &stored["record_id"]), (&"item".into(), &json!(shell)));
    let among: Vec<Value> = facts.iter().map(|id| json!({"kind": "weighing", "id": id})).collect();
    assert_eq!(stored["among"], json!(among));
    // Restored, it has its mass, and nothing is left to settle.
    let path = kit.path(&format!("conflicts/{conflict}"));
    let tag = kit.keeper.get(&path).await.etag();
    let post = |body| kit.keeper.posting(&format!("{path}/resolution"), &body).header("If-Match", &tag);
    let other = post(json!({"keep": "other", "value": {}})).send().await.problem("validation-failed");
    assert_eq!(other["errors"][0]["pointer"], "/keep");
    let _ = post(json!({"keep": "offered"})).send().await.expect(200);
    assert_eq!(shown(&kit, "items", shell).await["mass_g"], 412);
    assert_eq!(open_conflicts(&kit).await, 0);
}

#[tokio::test]
async fn void_of_all_facts_for_what_was_deleted_ends_the_conflict() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("delete", "item", shell, 1, Value::Null);
    one.push(&[op]).await;
    let facts = [new_id(), new_id()];
    let ops: Vec<Value> =
        facts.iter().map(|id| two.op("append", "weighing", *id, 1, weighing(shell, 412.0))).collect();
    let conflict = conflict_of(&two.push(&ops).await[0]);
    for (fact, open) in facts.iter().zip([1, 0]) {
        let op = two.op("void", "weighing", *fact, 1, json!({"reason": "the other shell"}));
        assert_eq!(statuses(&two.push(&[op]).await), ["applied"]);
        assert_eq!(open_conflicts(&kit).await, open);
    }
    assert_eq!(shown(&kit, "conflicts", conflict).await["resolution"]["keep"], "kept");
}

#[tokio::test]
async fn push_two_facts_that_replace_one_both_stand_until_one_is_chosen() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let (wrong, first, second) = (new_id(), new_id(), new_id());
    let replacing = |reading: f64| weighing(shell, reading).with("supersedes_id", wrong.to_string());
    let ops = [
        one.op("append", "weighing", wrong, 1, weighing(shell, 500.0)),
        one.op("append", "weighing", first, 1, replacing(412.0)),
    ];
    assert_eq!(statuses(&one.push(&ops).await), ["applied", "applied"]);
    let op = two.op("append", "weighing", second, 1, replacing(413.0));
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!((&stored["about"], &stored["record_id"]), (&"double_supersede".into(), &json!(wrong)));
    let named = |ids: [uuid::Uuid; 2]| json!(ids.map(|id| json!({"kind": "weighing", "id": id})));
    assert_eq!(stored["among"], named([first, second]));
    assert_eq!(shown(&kit, "items", shell).await["mass_n"], 2);
    let seen = head(&app, &kit).await;
    let op = two.op("settle", "conflict", conflict, seen, json!({"keep": "kept"}));
    assert_eq!(statuses(&two.push(&[op]).await), ["applied"]);
    assert_eq!(shown(&kit, "items", shell).await["mass_g"], 412);
    assert!(shown(&kit, "weighings", second).await["voided"].is_object());
    assert_eq!(shown(&kit, "conflicts", conflict).await["resolution"]["keep"], "kept");
    // A third one contradicts the first again, under a conflict of its own; voiding it by hand ends that.
    let third = new_id();
    let op = two.op("append", "weighing", third, seen, replacing(414.0));
    let again = conflict_of(&two.push(&[op]).await[0]);
    assert_ne!(again, conflict);
    let op = two.op("void", "weighing", third, seen, json!({"reason": "the other shell"}));
    assert_eq!(statuses(&two.push(&[op]).await), ["applied"]);
    assert_eq!(shown(&kit, "conflicts", again).await["resolution"]["keep"], "kept");
    assert_eq!(open_conflicts(&kit).await, 0);
}

#[tokio::test]
async fn create_of_a_fact_through_its_resource_opens_conflicts_too() {
    let app = TestApp::start().await;
    let (kit, mut one, _, shell) = two_devices(&app).await;
    let op = one.op("delete", "item", shell, 1, Value::Null);
    one.push(&[op]).await;
    let body = weighing(shell, 412.0).with("id", new_id().to_string());
    let _ = kit.member.post(&kit.path("weighings"), &body).await.expect(201);
    let _ = kit.member.post(&kit.path("weighings"), &body).await.expect(200);
    let list = kit.viewer.get(&kit.path("conflicts?state=open")).await.expect(200);
    let items = list["items"].as_array().unwrap();
    assert_eq!(items.len(), 1);
    assert_eq!((&items[0]["about"], items[0].get("replica_id")), (&"deleted_vs_fact".into(), None));
    assert_eq!(items[0]["offered_by"], json!(kit.member.account));
}
