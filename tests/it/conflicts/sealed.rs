use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, loadout, loadout_entry, new_id, pocket, seal};
use system_tests::harness::device::{Device, refusal, statuses};
use uuid::Uuid;

use super::{conflict_of, head, open_conflicts, shown};

/// A member's loadout with one line, known to a device of the member and to one of the keeper at change 3.
async fn packed(app: &TestApp) -> (Kitroom, Device, Device, Uuid, Uuid) {
    let kit = app.kitroom().await;
    let (shell, pack, line) = (new_id(), new_id(), new_id());
    let body = item("blue shell").with("id", shell.to_string());
    let _ = kit.keeper.post(&kit.path("items"), &body).await.expect(201);
    let mut own = Device::new(&kit.member, kit.id);
    let entry = loadout_entry(shell).with("loadout_id", pack.to_string());
    let ops = [
        own.op("create", "loadout", pack, 1, loadout("night race")),
        own.op("create", "loadout_entry", line, 1, entry),
    ];
    assert_eq!(statuses(&own.push(&ops).await), ["applied", "applied"]);
    let keepers = Device::new(&kit.keeper, kit.id);
    (kit, own, keepers, pack, line)
}

#[tokio::test]
async fn push_of_entry_edits_from_before_the_seal_keeps_them_as_conflicts() {
    let app = TestApp::start().await;
    let (kit, mut own, mut keepers, pack, line) = packed(&app).await;
    let fixed = new_id();
    let op = own.op("append", "seal", fixed, 3, seal(pack));
    assert_eq!(statuses(&own.push(&[op]).await), ["applied"]);
    let (entry, at) = (format!("loadouts/{pack}/entries"), format!("loadouts/{pack}/entries/{line}"));
    let before = kit.viewer.get(&kit.path(&at)).await.expect(200);
    // The keeper's device does not know of the seal: a change, a further line, and a change of that.
    let more = new_id();
    let ops = [
        keepers.op("patch", "loadout_entry", line, 3, json!({"quantity": 2, "note": "spare"})),
        keepers.op(
            "create",
            "loadout_entry",
            more,
            3,
            json!({"loadout_id": pack, "item_id": before["item_id"], "carry_place": "stowed"}),
        ),
    ];
    let results = keepers.push(&ops).await;
    let (edit, addition) = (conflict_of(&results[0]), conflict_of(&results[1]));
    let stored = shown(&kit, "conflicts", edit).await;
    assert_eq!(
        (&stored["about"], &stored["units"]),
        (&"sealed_vs_edited".into(), &json!(["note", "quantity"]))
    );
    assert_eq!((&stored["kept"], &stored["offered"]), (&json!({}), &json!({"quantity": 2, "note": "spare"})));
    let stored = shown(&kit, "conflicts", addition).await;
    assert_eq!((&stored["action"], &stored["record_id"]), (&"create".into(), &json!(more)));
    assert_eq!((stored.get("kept"), &stored["offered"]["carry_place"]), (None, &json!("stowed")));
    assert_eq!(kit.viewer.get(&kit.path(&at)).await.expect(200), before);
    assert_eq!(kit.viewer.get(&kit.path(&entry)).await.expect(200)["items"].as_array().unwrap().len(), 1);
    assert_eq!(open_conflicts(&kit).await, 2);

    // Who knows of the seal is refused, the one who sealed it included, whatever its ops were numbered.
    let seen = head(&app, &kit).await;
    let ops = [
        keepers.op("patch", "loadout_entry", line, seen, json!({"quantity": 3})),
        keepers.op("delete", "loadout_entry", line, seen, Value::Null),
        keepers.op("settle", "conflict", edit, seen, json!({"keep": "offered"})),
        keepers.op("settle", "conflict", addition, seen, json!({"keep": "offered"})),
    ];
    let results = keepers.push(&ops).await;
    assert_eq!(results.iter().map(refusal).collect::<Vec<_>>(), ["loadout-sealed"; 4]);
    assert_eq!(results[0]["problem"]["by"], json!(fixed));
    let op = own.op("patch", "loadout_entry", line, 3, json!({"quantity": 3}));
    assert_eq!(refusal(&own.push(&[op]).await[0]), "loadout-sealed");
    let tag = kit.member.get(&kit.path(&at)).await.etag();
    let patching = kit.member.patching(&kit.path(&at), &tag, &json!({"quantity": 3}));
    app.refuses(patching, "loadout-sealed").await;
    let addition_now = loadout_entry(Uuid::parse_str(before.text("item_id")).unwrap());
    app.refuses(kit.member.posting(&kit.path(&entry), &addition_now), "loadout-sealed").await;

    // With the seal voided, both can be taken.
    let op = own.op("void", "seal", fixed, seen, json!({"reason": "a change of plan"}));
    assert_eq!(statuses(&own.push(&[op]).await), ["applied"]);
    for conflict in [edit, addition] {
        let seen = head(&app, &kit).await;
        let op = keepers.op("settle", "conflict", conflict, seen, json!({"keep": "offered"}));
        assert_eq!(statuses(&keepers.push(&[op]).await), ["applied"]);
    }
    assert_eq!(kit.viewer.get(&kit.path(&at)).await.expect(200)["quantity"], 2);
    let lines = kit.viewer.get(&kit.path(&entry)).await.expect(200);
    assert_eq!(lines["items"].as_array().unwrap().len(), 2);
    assert_eq!(open_conflicts(&kit).await, 0);
}

#[tokio::test]
async fn push_of_a_line_and_then_its_change_from_before_the_seal_is_one_conflict() {
    let app = TestApp::start().await;
    let (kit, mut own, mut keepers, pack, line) = packed(&app).await;
    let op = own.op("append", "seal", new_id(), 3, seal(pack));
    own.push(&[op]).await;
    let item_id = shown(&kit, &format!("loadouts/{pack}/entries"), line).await["item_id"].clone();
    let more = new_id();
    let body = json!({"loadout_id": pack, "item_id": item_id, "carry_place": "stowed"});
    let ops = [
        keepers.op("create", "loadout_entry", more, 3, body),
        keepers.op("patch", "loadout_entry", more, 3, json!({"quantity": 4})),
    ];
    let results = keepers.push(&ops).await;
    let conflict = conflict_of(&results[0]);
    assert_eq!(conflict_of(&results[1]), conflict);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!((&stored["action"], &stored["offered"]["quantity"]), (&"create".into(), &json!(4)));
    // Taken back by the same device: nothing is left to settle.
    let op = keepers.op("delete", "loadout_entry", more, 3, Value::Null);
    assert_eq!(statuses(&keepers.push(&[op]).await), ["noop"]);
    assert_eq!(shown(&kit, "conflicts", conflict).await["resolution"]["keep"], "kept");
}

#[tokio::test]
async fn push_of_anothers_loadout_is_for_keepers() {
    let app = TestApp::start().await;
    let (kit, mut own, mut keepers, pack, line) = packed(&app).await;
    let (other, theirs) = (app.actor("Mo").await, new_id());
    app.join(kit.id, &other, "member").await;
    let mut member = Device::new(&other, kit.id);
    let ops = [
        member.op("patch", "loadout", pack, 3, json!({"name": "mine"})),
        member.op("delete", "loadout", pack, 3, Value::Null),
        member.op("patch", "loadout_entry", line, 3, json!({"quantity": 9})),
        member.op(
            "create",
            "loadout_entry",
            new_id(),
            3,
            loadout_entry(new_id()).with("loadout_id", pack.to_string()),
        ),
        member.op("append", "seal", new_id(), 3, seal(pack)),
    ];
    for result in member.push(&ops).await {
        assert_eq!(refusal(&result), "forbidden", "{result}");
    }
    let op = member.op("create", "loadout", theirs, 3, loadout("another race"));
    assert_eq!(statuses(&member.push(&[op]).await), ["applied"]);
    // A keeper may; and the owner of a loadout may void the seal that a keeper has put on it.
    let fixed = new_id();
    let ops = [
        keepers.op("patch", "loadout_entry", line, 3, json!({"quantity": 2})),
        keepers.op("append", "seal", fixed, 3, seal(pack)),
    ];
    assert_eq!(statuses(&keepers.push(&ops).await), ["applied", "applied"]);
    let reason = json!({"reason": "not yet"});
    let op = member.op("void", "seal", fixed, 6, reason.clone());
    assert_eq!(refusal(&member.push(&[op]).await[0]), "forbidden");
    let op = own.op("void", "seal", fixed, 6, reason);
    assert_eq!(statuses(&own.push(&[op]).await), ["applied"]);
}

#[tokio::test]
async fn settle_of_a_place_takes_what_the_offer_refers_to() {
    let app = TestApp::start().await;
    let (kit, mut own, mut keepers, pack, line) = packed(&app).await;
    let shell = shown(&kit, &format!("loadouts/{pack}/entries"), line).await["item_id"].clone();
    let body = pocket(Uuid::parse_str(shell.as_str().unwrap()).unwrap());
    let inside = kit.keeper.post(&kit.path("pockets"), &body).await.expect(201)["id"].clone();
    let op = own.op("patch", "loadout_entry", line, 4, json!({"carry_place": "on_body"}));
    assert_eq!(statuses(&own.push(&[op]).await), ["applied"]);
    // Beside on_body a pocket makes no sense; its author put it into one as it was stowed.
    let op = keepers.op("patch", "loadout_entry", line, 4, json!({"pocket_id": inside}));
    let conflict = conflict_of(&keepers.push(&[op]).await[0]);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!(stored["units"], json!(["place"]));
    assert_eq!(stored["offered"], json!({"carry_place": "stowed", "pocket_id": inside}));
    assert_eq!(
        (&stored["base"], &stored["kept"]),
        (&json!({"carry_place": "stowed"}), &json!({"carry_place": "on_body"}))
    );
    let seen = head(&app, &kit).await;
    let op = keepers.op("settle", "conflict", conflict, seen, json!({"keep": "offered"}));
    assert_eq!(statuses(&keepers.push(&[op]).await), ["applied"]);
    assert_eq!(shown(&kit, &format!("loadouts/{pack}/entries"), line).await["pocket_id"], inside);
}
