use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, loadout, new_id, weighing};
use system_tests::harness::device::{Device, refusal, statuses};
use uuid::Uuid;

use crate::conflicts::two_devices;

async fn shown(kit: &Kitroom, id: Uuid) -> Value {
    crate::conflicts::shown(kit, "items", id).await
}

#[tokio::test]
async fn push_different_fields_from_two_devices_merge() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("patch", "item", shell, 1, json!({"name": "old shell"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    let op = two.op("patch", "item", shell, 1, json!({"size": "L"}));
    assert_eq!(statuses(&two.push(&[op]).await), ["merged"]);
    // Each key of a map is a field of its own.
    let op = one.op("patch", "item", shell, 1, json!({"attributes": {"zips": 1}}));
    assert_eq!(statuses(&one.push(&[op]).await), ["merged"]);
    let op = two.op("patch", "item", shell, 1, json!({"attributes": {"pockets": 3}}));
    assert_eq!(statuses(&two.push(&[op]).await), ["merged"]);
    let item = shown(&kit, shell).await;
    assert_eq!((&item["name"], &item["size"]), (&"old shell".into(), &"L".into()));
    assert_eq!(item["attributes"], json!({"pockets": 3, "zips": 1}));
}

#[tokio::test]
async fn push_the_same_field_through_a_resource_in_between_is_a_conflict_too() {
    let app = TestApp::start().await;
    let (kit, mut one, _, shell) = two_devices(&app).await;
    let path = kit.path(&format!("items/{shell}"));
    let tag = kit.keeper.get(&path).await.etag();
    let _ = kit.keeper.patching(&path, &tag, &json!({"size": "L"})).send().await.expect(200);
    // The same person, but not the same replica: the device has not seen it.
    let op = one.op("patch", "item", shell, 1, json!({"size": "XL"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["conflict"]);
}

#[tokio::test]
async fn push_the_same_value_from_both_is_nothing_left_to_do() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("patch", "item", shell, 1, json!({"size": "L"}));
    one.push(&[op]).await;
    let op = two.op("patch", "item", shell, 1, json!({"size": "L"}));
    let results = two.push(&[op]).await;
    assert_eq!((statuses(&results), &results[0]["seq"]), (vec!["noop"], &2.into()));
    assert_eq!(shown(&kit, shell).await["version"], 2);
}

#[tokio::test]
async fn push_a_device_never_conflicts_with_itself() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = two.op("patch", "item", shell, 1, json!({"notes": "wet inside"}));
    two.push(&[op]).await;
    // Three days offline: every op rests on change 1, sent in two pushes.
    let ops = [
        one.op("patch", "item", shell, 1, json!({"size": "L"})),
        one.op("patch", "item", shell, 1, json!({"size": "XL"})),
    ];
    assert_eq!(statuses(&one.push(&ops).await), ["merged", "merged"]);
    let ops = [
        one.op("patch", "item", shell, 1, json!({"size": "XXL"})),
        one.op("patch", "item", shell, 1, json!({"notes": "dry"})),
    ];
    let results = one.push(&ops).await;
    assert_eq!(statuses(&results), ["merged", "conflict"]);
    assert_eq!(shown(&kit, shell).await["size"], "XXL");
}

#[tokio::test]
async fn push_of_a_creation_of_what_is_there_counts_as_a_change() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, _) = two_devices(&app).await;
    let id = new_id();
    let knife = one.op("create", "item", id, 1, item("knife").with("size", "S"));
    assert_eq!(statuses(&one.push(&[knife]).await), ["applied"]);
    // The same device, which has learnt more since: it contradicts nobody.
    let knife = one.op("create", "item", id, 1, item("knife").with("size", "M").with("tag", "A1"));
    assert_eq!(statuses(&one.push(&[knife]).await), ["applied"]);
    // Another one, with the same id: what it adds is taken, what it says otherwise is kept beside it, and what it does not
    // speak of stays.
    let again = [
        two.op("create", "item", id, 1, item("knife").with("size", "L").with("notes", "sharp")),
        two.op(
            "create",
            "item",
            id,
            1,
            item("knife").with("size", "M").with("tag", "A1").with("notes", "sharp"),
        ),
    ];
    let results = two.push(&again).await;
    assert_eq!(statuses(&results), ["conflict", "noop"]);
    let there = shown(&kit, id).await;
    assert_eq!(
        (&there["size"], &there["tag"], &there["notes"]),
        (&"M".into(), &"A1".into(), &"sharp".into())
    );
    let conflict = crate::conflicts::shown(
        &kit,
        "conflicts",
        results[0]["conflict_ids"][0].as_str().unwrap().parse().unwrap(),
    )
    .await;
    assert_eq!((&conflict["kept"], &conflict["offered"]), (&json!({"size": "M"}), &json!({"size": "L"})));

    // Who may make one may not change another's by making it anew.
    let own = kit.keeper.post(&kit.path("loadouts"), &loadout("light")).await.expect(201).id();
    let mut member = Device::new(&kit.member, kit.id);
    let taken = member.op("create", "loadout", own, 1, loadout("mine now"));
    let results = member.push(&[taken]).await;
    assert_eq!(refusal(&results[0]), "forbidden");
    // A fact is what it is, and through a resource an id that is taken is a mistake.
    let fact = new_id();
    let weighed = one.op("append", "weighing", fact, 1, weighing(id, 41.0));
    assert_eq!(statuses(&one.push(&[weighed]).await), ["applied"]);
    let other = two.op("append", "weighing", fact, 1, weighing(id, 42.0));
    assert_eq!(refusal(&two.push(&[other]).await[0]), "conflict");
    let body = item("spoon").with("id", id.to_string());
    app.refuses(kit.keeper.posting(&kit.path("items"), &body), "conflict").await;
}

#[tokio::test]
async fn push_of_what_was_deleted_brings_it_back_only_by_restoring_it() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("delete", "item", shell, 1, Value::Null);
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    let again = [
        // No stale device brings it back by making it anew.
        two.op(
            "create",
            "item",
            shell,
            1,
            item("blue shell").with("size", "M").with("attributes", json!({"pockets": 2})),
        ),
        two.op("delete", "item", shell, 1, Value::Null),
        two.op("restore", "item", shell, 2, Value::Null),
        two.op("patch", "item", shell, 2, json!({"size": "L"})),
        two.op("restore", "item", shell, 2, Value::Null),
    ];
    let results = two.push(&again).await;
    assert_eq!(statuses(&results), ["rejected", "noop", "applied", "applied", "noop"]);
    assert_eq!(refusal(&results[0]), "id-deleted");
    assert_eq!(shown(&kit, shell).await["size"], "L");
}

#[tokio::test]
async fn push_a_delete_of_what_others_refer_to_is_refused_also_within_one_push() {
    let app = TestApp::start().await;
    let (_, mut one, _, shell) = two_devices(&app).await;
    let ops = [
        one.op("append", "weighing", new_id(), 1, weighing(shell, 412.0)),
        one.op("delete", "item", shell, 1, Value::Null),
    ];
    let results = one.push(&ops).await;
    assert_eq!(statuses(&results), ["applied", "rejected"]);
    assert_eq!(refusal(&results[1]), "in-use");
    let op = one.op("delete", "item", shell, 1, Value::Null);
    assert_eq!(refusal(&one.push(&[op]).await[0]), "in-use");
}

#[tokio::test]
async fn push_what_cannot_be_changed_is_rejected_by_pointer() {
    let app = TestApp::start().await;
    let (_, mut one, _, _) = two_devices(&app).await;
    let (scale, sitting, other) = (new_id(), new_id(), new_id());
    let ops = [
        one.op("create", "scale", scale, 1, system_tests::harness::bodies::scale()),
        one.op("create", "scale", other, 1, system_tests::harness::bodies::scale()),
        one.op("create", "sitting", sitting, 1, system_tests::harness::bodies::sitting(scale)),
        one.op("patch", "scale", scale, 1, json!({"resolution_g": 0.1})),
        one.op("patch", "scale", scale, 1, json!({"capacity_g": null})),
        one.op("patch", "sitting", sitting, 1, json!({"scale_id": other})),
        one.op("patch", "scale", scale, 1, json!({"name": "hall scale"})),
    ];
    let results = one.push(&ops).await;
    let wanted = ["applied", "applied", "applied", "rejected", "rejected", "rejected", "applied"];
    assert_eq!(statuses(&results), wanted);
    for (result, pointer) in results[3..].iter().zip(["/resolution_g", "/capacity_g", "/scale_id"]) {
        assert_eq!(result["problem"]["errors"][0]["pointer"], pointer);
        assert_eq!(result["problem"]["errors"][0]["code"], "write-once");
    }
}

#[tokio::test]
async fn push_a_fact_twice_under_two_ops_is_one_fact() {
    let app = TestApp::start().await;
    let (_, mut one, mut two, shell) = two_devices(&app).await;
    let fact = new_id();
    let ops = [one.op("append", "weighing", fact, 1, weighing(shell, 412.0))];
    one.push(&ops).await;
    let ops = [
        two.op("append", "weighing", fact, 1, weighing(shell, 412.0)),
        two.op("append", "weighing", fact, 1, weighing(shell, 413.0)),
    ];
    let results = two.push(&ops).await;
    assert_eq!(statuses(&results), ["noop", "rejected"]);
    assert_eq!(refusal(&results[1]), "conflict");
    assert_eq!(app.count("weighings").await, 1);
}
