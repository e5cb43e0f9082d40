use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, new_id, scale};
use system_tests::harness::device::{Device, digest_of, refusal, statuses};
use system_tests::harness::redact::redacted;

use super::{conflict_of, head, open_conflicts, shown, size_conflict, two_devices};

#[tokio::test]
async fn push_the_same_field_keeps_both_values_as_a_conflict_in_the_feed() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    assert_eq!(shown(&kit, "items", shell).await["size"], "L");
    let stored = shown(&kit, "conflicts", conflict).await;
    insta::assert_json_snapshot!(redacted(&stored), @r#"
    {
      "about": "same_unit",
      "action": "patch",
      "base": {
        "size": "M"
      },
      "created_by": "[id]",
      "done_at": "2026-03-01T05:20:00.000Z",
      "id": "[id]",
      "kept": {
        "size": "L"
      },
      "kind": "item",
      "offered": {
        "size": "XL"
      },
      "offered_by": "[id]",
      "op_id": "[id]",
      "record_id": "[id]",
      "recorded_at": "[time]",
      "replica_id": "[id]",
      "units": [
        "size"
      ],
      "version": 3
    }
    "#);
    assert_eq!(stored["record_id"], json!(shell));
    assert_eq!(stored["offered_by"], json!(kit.owner.account));
    assert_eq!(stored["replica_id"], json!(two.replica));
    assert_eq!(open_conflicts(&kit).await, 1);
    // It travels like any record, and the digest knows it.
    let (changes, _) = one.pull(100).await;
    let last = changes.last().unwrap();
    assert_eq!((last.kind.as_str(), last.id, last.seq), ("conflict", conflict, 3));
    assert_eq!(last.record.clone().map(Value::Object), Some(stored));
    assert_eq!(one.digest().await.kinds, digest_of(&changes));
}

#[tokio::test]
async fn push_takes_the_other_fields_of_an_op_that_conflicts() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("patch", "item", shell, 1, json!({"size": "L", "attributes": {"pockets": 3}}));
    one.push(&[op]).await;
    let patch = json!({"size": "XL", "name": "old shell", "attributes": {"pockets": 4, "zips": 1}});
    let op = two.op("patch", "item", shell, 1, patch);
    let result = two.push(&[op]).await.remove(0);
    assert_eq!(result["status"], "conflict");
    assert_eq!(result["conflict_ids"].as_array().unwrap().len(), 2, "one for each field");
    // The item, and each of the conflicts; the op is through when all of them have come back.
    assert_eq!(result["seq"], 5);
    let item = shown(&kit, "items", shell).await;
    assert_eq!((&item["name"], &item["size"]), (&"old shell".into(), &"L".into()));
    assert_eq!(item["attributes"], json!({"pockets": 3, "zips": 1}));
    let list = kit.viewer.get(&kit.path("conflicts")).await.expect(200);
    let mut of =
        list["items"].as_array().unwrap().iter().map(|c| (c["units"][0].clone(), c["offered"].clone()));
    let mut found: Vec<(Value, Value)> = of.by_ref().collect();
    found.sort_by_key(|(unit, _)| unit.to_string());
    assert_eq!(
        found,
        [
            (json!("attributes.pockets"), json!({"attributes": {"pockets": 4}})),
            (json!("size"), json!({"size": "XL"}))
        ]
    );
}

#[tokio::test]
async fn push_again_answers_the_same_conflict_and_changes_nothing() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("patch", "item", shell, 1, json!({"size": "L"}));
    one.push(&[op]).await;
    let ops = [two.op("patch", "item", shell, 1, json!({"size": "XL"}))];
    let first = two.push(&ops).await;
    let (before, digest) = (head(&app, &kit).await, two.digest().await);
    let again = two.push(&ops).await;
    assert_eq!(again[0].clone().without("replayed"), first[0]);
    assert_eq!((head(&app, &kit).await, two.digest().await), (before, digest));
    assert_eq!(app.count("conflicts").await, 1);
}

#[tokio::test]
async fn push_a_later_offer_of_the_same_device_takes_the_place_of_its_earlier_one() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    let op = two.op("patch", "item", shell, 1, json!({"size": "XXL"}));
    assert_eq!(conflict_of(&two.push(&[op]).await[0]), conflict);
    assert_eq!(shown(&kit, "conflicts", conflict).await["offered"], json!({"size": "XXL"}));
    // Another device of the same person is another one who has seen something else.
    let mut third = Device::new(&kit.owner, kit.id);
    let op = third.op("patch", "item", shell, 1, json!({"size": "S"}));
    assert_ne!(conflict_of(&third.push(&[op]).await[0]), conflict);
    assert_eq!(open_conflicts(&kit).await, 2);
    // Back to what stands: nothing is left to settle.
    let op = two.op("patch", "item", shell, 1, json!({"size": "L"}));
    assert_eq!(statuses(&two.push(&[op]).await), ["noop"]);
    let ended = shown(&kit, "conflicts", conflict).await;
    assert_eq!(
        (&ended["resolution"]["keep"], &ended["resolution"]["action"]),
        (&"kept".into(), &"patch".into())
    );
    assert_eq!(open_conflicts(&kit).await, 1);
}

#[tokio::test]
async fn push_a_change_by_somebody_who_has_seen_both_values_ends_the_conflict() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    // Through a resource only the item was read: the conflict stands, and shows what stands now.
    let path = kit.path(&format!("items/{shell}"));
    let tag = kit.keeper.get(&path).await.etag();
    let _ = kit.keeper.patching(&path, &tag, &json!({"size": "S"})).send().await.expect(200);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!((&stored["kept"], stored.get("resolution")), (&json!({"size": "S"}), None));
    // The other device knows change 2 only; what it writes there contradicts the S.
    let op = one.op("patch", "item", shell, 2, json!({"notes": "wet inside"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["merged"]);
    assert_eq!(open_conflicts(&kit).await, 1);
    let seen = head(&app, &kit).await;
    let op = one.op("patch", "item", shell, seen, json!({"size": "M/L"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    let ended = shown(&kit, "conflicts", conflict).await;
    assert_eq!(ended["resolution"]["keep"], "other");
    assert_eq!(ended["resolution"]["by"], json!(kit.keeper.account));
    assert_eq!(open_conflicts(&kit).await, 0);
}

#[tokio::test]
async fn push_an_edit_that_makes_what_was_offered_ends_the_conflict() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    let op = one.op("patch", "item", shell, 1, json!({"size": "XL"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    assert_eq!(shown(&kit, "conflicts", conflict).await["resolution"]["keep"], "offered");
}

#[tokio::test]
async fn push_grouped_fields_are_offered_as_their_author_saw_them() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("patch", "item", shell, 1, json!({"head_mm": 20000, "head_basis": "label"}));
    one.push(&[op]).await;
    // A basis of one and a head of another would be a claim that nobody made.
    let op = two.op("patch", "item", shell, 1, json!({"head_mm": 10000}));
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!(stored["units"], json!(["head"]));
    assert_eq!(stored["offered"], json!({"head_mm": 10000}));
    assert_eq!(stored["kept"], json!({"head_mm": 20000, "head_basis": "label"}));
    assert_eq!(shown(&kit, "items", shell).await["head_mm"], 20000);
}

#[tokio::test]
async fn push_a_delete_against_an_edit_keeps_the_record_and_the_wish() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("patch", "item", shell, 1, json!({"size": "L"}));
    one.push(&[op]).await;
    let op = two.op("delete", "item", shell, 1, Value::Null);
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    assert_eq!(shown(&kit, "items", shell).await["size"], "L");
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!((&stored["about"], &stored["kept"]), (&"edited_vs_deleted".into(), &json!({"size": "L"})));
    assert_eq!((&stored["base"], stored.get("offered")), (&json!({"size": "M"}), None));
    // Deleted by somebody who has seen it: the wish is fulfilled.
    let op = one.op("delete", "item", shell, 3, Value::Null);
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    assert_eq!(shown(&kit, "conflicts", conflict).await["resolution"]["keep"], "offered");
}

#[tokio::test]
async fn push_edits_of_what_was_deleted_are_kept_together_until_it_is_restored() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("delete", "item", shell, 1, Value::Null);
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    let ops = [
        two.op("patch", "item", shell, 1, json!({"size": "L", "notes": "x"})),
        two.op("patch", "item", shell, 1, json!({"notes": null, "attributes": {"zips": 1}})),
    ];
    let results = two.push(&ops).await;
    let conflict = conflict_of(&results[0]);
    // The second takes the note back that never came to be.
    assert_eq!(results[1]["conflict_ids"], results[0]["conflict_ids"]);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!(stored["about"], "deleted_vs_edited");
    assert_eq!(stored["units"], json!(["attributes.zips", "size"]));
    assert_eq!(stored["offered"], json!({"attributes": {"zips": 1}, "size": "L"}));
    assert_eq!((&stored["base"], stored.get("kept")), (&json!({"size": "M"}), None));
    let _ = kit.viewer.get(&kit.path(&format!("items/{shell}"))).await.problem("not-found");
    // Who knows that it is deleted restores it first.
    let op = two.op("patch", "item", shell, 2, json!({"size": "S"}));
    assert_eq!(refusal(&two.push(&[op]).await[0]), "id-deleted");
    let seen = head(&app, &kit).await;
    let op = two.op("restore", "item", shell, seen, Value::Null);
    assert_eq!(statuses(&two.push(&[op]).await), ["applied"]);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!((&stored["kept"], stored.get("resolution")), (&json!({"size": "M"}), None));
}

#[tokio::test]
async fn push_a_group_that_is_refused_opens_no_conflict() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let op = one.op("patch", "item", shell, 1, json!({"size": "L"}));
    one.push(&[op]).await;
    let (before, digest) = (head(&app, &kit).await, one.digest().await);
    let ops = [
        two.op_in("a", "patch", "item", shell, json!({"size": "XL", "name": "old shell"})),
        two.op_in("a", "create", "scale", new_id(), scale().with("resolution_g", 0)),
    ];
    assert_eq!(statuses(&two.push(&ops).await), ["rejected", "rejected"]);
    assert_eq!(app.count("conflicts").await, 0);
    assert_eq!((head(&app, &kit).await, one.digest().await), (before, digest));
}

#[tokio::test]
async fn push_of_what_only_the_service_makes_is_refused() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    let before = shown(&kit, "conflicts", conflict).await;
    let ops = [
        one.op("create", "conflict", new_id(), 3, json!({"about": "same_unit"})),
        one.op("patch", "conflict", conflict, 3, json!({"offered": {"size": "S"}})),
        one.op("delete", "conflict", conflict, 3, Value::Null),
        one.op("void", "conflict", conflict, 3, json!({"reason": "x"})),
        one.op("settle", "item", shell, 3, json!({"keep": "kept"})),
    ];
    for result in one.push(&ops).await {
        assert_eq!(refusal(&result), "validation-failed");
        assert_eq!(result["problem"]["errors"][0]["pointer"], "/action");
    }
    assert_eq!(shown(&kit, "conflicts", conflict).await, before);
}
