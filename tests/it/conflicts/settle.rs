use serde_json::{Value, json};
use system_tests::harness::actors::{Actor, Kitroom};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{new_id, scale, weighing};
use system_tests::harness::client::Reply;
use system_tests::harness::device::{Device, refusal, statuses};
use uuid::Uuid;

use super::{conflict_of, head, open_conflicts, shown, size_conflict, two_devices};

async fn settling(kit: &Kitroom, by: &Actor, conflict: Uuid, body: &Value) -> Reply {
    let path = kit.path(&format!("conflicts/{conflict}"));
    let tag = by.get(&path).await.etag();
    by.posting(&format!("{path}/resolution"), body).header("If-Match", &tag).send().await
}

#[tokio::test]
async fn settle_with_what_was_offered_writes_it_in_the_same_step() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    let seen = head(&app, &kit).await;
    let op = one.op("settle", "conflict", conflict, seen, json!({"keep": "offered"}));
    let results = one.push(&[op]).await;
    assert_eq!((statuses(&results), results[0]["seq"].as_i64()), (vec!["applied"], Some(seen + 2)));
    assert_eq!(shown(&kit, "items", shell).await["size"], "XL");
    let ended = shown(&kit, "conflicts", conflict).await;
    assert_eq!(ended["resolution"]["keep"], "offered");
    assert_eq!(ended["resolution"]["action"], "settle");
    assert_eq!(ended["resolution"]["by"], json!(kit.keeper.account));
    // Both values are there for ever.
    assert_eq!((&ended["kept"], &ended["offered"]), (&json!({"size": "L"}), &json!({"size": "XL"})));
    assert_eq!(open_conflicts(&kit).await, 0);
    assert_eq!(app.count("commits").await, 4);
}

#[tokio::test]
async fn settle_through_the_resource_with_another_value() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    for (body, pointer) in [
        (json!({"keep": "other"}), "/value"),
        (json!({"keep": "kept", "value": {"size": "S"}}), "/value"),
        (json!({"keep": "other", "value": {"name": "x"}}), "/value/name"),
        (json!({"keep": "other", "value": {"size": 5}}), "/value/size"),
        (json!({"keep": "both"}), "/keep"),
        (json!({}), "/keep"),
    ] {
        let problem = settling(&kit, &kit.keeper, conflict, &body).await.problem("validation-failed");
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{body}");
    }
    assert_eq!(shown(&kit, "items", shell).await["size"], "L");
    let body = json!({"keep": "other", "value": {"size": "L/XL"}});
    let ended = settling(&kit, &kit.keeper, conflict, &body).await.expect(200);
    assert_eq!(ended["resolution"]["value"], json!({"size": "L/XL"}));
    assert_eq!(shown(&kit, "items", shell).await["size"], "L/XL");
}

#[tokio::test]
async fn settle_again_in_the_same_way_changes_nothing_and_otherwise_is_refused() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    let path = kit.path(&format!("conflicts/{conflict}"));
    let tag = kit.keeper.get(&path).await.etag();
    let post =
        |body: Value| kit.keeper.posting(&format!("{path}/resolution"), &body).header("If-Match", &tag);
    let first = post(json!({"keep": "kept"})).send().await.expect(200);
    let seen = head(&app, &kit).await;
    // The answer was lost, and the same request comes again.
    assert_eq!(post(json!({"keep": "kept"})).send().await.expect(200), first);
    let problem = post(json!({"keep": "offered"})).send().await.problem("conflict-pending");
    assert_eq!(problem["current"]["resolution"]["keep"], "kept");
    let ops = [
        one.op("settle", "conflict", conflict, seen, json!({"keep": "kept"})),
        one.op("settle", "conflict", conflict, seen, json!({"keep": "offered"})),
    ];
    let results = one.push(&ops).await;
    assert_eq!(statuses(&results), ["noop", "rejected"]);
    assert_eq!(refusal(&results[1]), "conflict-pending");
    assert_eq!(head(&app, &kit).await, seen);
    assert_eq!(shown(&kit, "items", shell).await["size"], "L");
    let _ = kit
        .keeper
        .posting(&format!("{path}/resolution"), &json!({"keep": "kept"}))
        .send()
        .await
        .problem("precondition-required");
}

#[tokio::test]
async fn settle_of_what_has_moved_on_is_refused_with_what_stands() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    let seen = head(&app, &kit).await;
    let path = kit.path(&format!("conflicts/{conflict}"));
    let tag = kit.keeper.get(&path).await.etag();
    // Somebody changes what stands, without having seen the conflict.
    let op = one.op("patch", "item", shell, 2, json!({"size": "S"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    let op = one.op("settle", "conflict", conflict, seen, json!({"keep": "kept"}));
    let result = one.push(&[op]).await.remove(0);
    assert_eq!(refusal(&result), "conflict-pending");
    assert_eq!(result["problem"]["current"]["kept"], json!({"size": "S"}));
    let stale = kit.keeper.posting(&format!("{path}/resolution"), &json!({"keep": "offered"}));
    let problem = stale.header("If-Match", &tag).send().await.problem("precondition-failed");
    assert_eq!(problem["current"]["kept"], json!({"size": "S"}));
    assert_eq!(shown(&kit, "items", shell).await["size"], "S");
    assert_eq!(open_conflicts(&kit).await, 1);
}

#[tokio::test]
async fn settle_one_of_two_about_a_field_leaves_the_other_up_to_date() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let first = size_conflict(&mut one, &mut two, shell).await;
    let mut third = Device::new(&kit.owner, kit.id);
    let op = third.op("patch", "item", shell, 1, json!({"size": "S"}));
    let second = conflict_of(&third.push(&[op]).await[0]);
    let _ = settling(&kit, &kit.keeper, first, &json!({"keep": "offered"})).await.expect(200);
    let other = shown(&kit, "conflicts", second).await;
    assert_eq!((&other["kept"], other.get("resolution")), (&json!({"size": "XL"}), None));
    // Both are settled when what stands is what the second offered.
    let path = kit.path(&format!("items/{shell}"));
    let tag = kit.keeper.get(&path).await.etag();
    let _ = kit.keeper.patching(&path, &tag, &json!({"size": "S"})).send().await.expect(200);
    assert_eq!(shown(&kit, "conflicts", second).await["resolution"]["keep"], "offered");
}

#[tokio::test]
async fn settle_a_deletion_against_an_edit_either_way() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    // An edit of what was deleted: offered restores it with the edit.
    let op = one.op("delete", "item", shell, 1, Value::Null);
    one.push(&[op]).await;
    let op = two.op("patch", "item", shell, 1, json!({"size": "XL"}));
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    let _ = settling(&kit, &kit.owner, conflict, &json!({"keep": "offered"})).await.expect(200);
    assert_eq!(shown(&kit, "items", shell).await["size"], "XL");
    // A deletion of what was edited: refused while something refers to it, then done.
    let seen = head(&app, &kit).await;
    let op = one.op("patch", "item", shell, seen, json!({"size": "S"}));
    one.push(&[op]).await;
    let op = two.op("delete", "item", shell, 1, Value::Null);
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    let fact = new_id();
    let seen = head(&app, &kit).await;
    let op = one.op("append", "weighing", fact, seen, weighing(shell, 412.0));
    one.push(&[op]).await;
    let _ = settling(&kit, &kit.owner, conflict, &json!({"keep": "offered"})).await.problem("in-use");
    let op = one.op("void", "weighing", fact, seen, json!({"reason": "the other shell"}));
    one.push(&[op]).await;
    let _ = settling(&kit, &kit.owner, conflict, &json!({"keep": "offered"})).await.expect(200);
    let _ = kit.viewer.get(&kit.path(&format!("items/{shell}"))).await.problem("not-found");
}

#[tokio::test]
async fn settle_is_for_the_author_of_the_offer_and_for_keepers() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let scales = [new_id(), new_id()];
    let mut author = Device::new(&kit.member, kit.id);
    let ops = scales.map(|id| author.op("create", "scale", id, 0, scale()));
    author.push(&ops).await;
    let mut other = Device::new(&kit.keeper, kit.id);
    let mut conflicts = Vec::new();
    for (id, device) in [(scales[0], &mut author), (scales[1], &mut other)] {
        let mut third = Device::new(&kit.owner, kit.id);
        let op = third.op("patch", "scale", id, 2, json!({"name": "hall scale"}));
        assert_eq!(statuses(&third.push(&[op]).await), ["applied"]);
        let op = device.op("patch", "scale", id, 2, json!({"name": "balance"}));
        conflicts.push(conflict_of(&device.push(&[op]).await[0]));
    }
    let (own, others) = (conflicts[0], conflicts[1]);
    let keep = json!({"keep": "offered"});
    let _ = settling(&kit, &kit.member, others, &keep).await.problem("forbidden");
    let _ = settling(&kit, &kit.viewer, own, &keep).await.problem("forbidden");
    let seen = head(&app, &kit).await;
    let op = author.op("settle", "conflict", others, seen, keep.clone());
    assert_eq!(refusal(&author.push(&[op]).await[0]), "forbidden");
    let _ = settling(&kit, &kit.member, own, &keep).await.expect(200);
    assert_eq!(shown(&kit, "scales", scales[0]).await["name"], "balance");
    assert_eq!(shown(&kit, "scales", scales[1]).await["name"], "hall scale");
    let _ = settling(&kit, &kit.keeper, others, &keep).await.expect(200);
    assert_eq!(shown(&kit, "scales", scales[1]).await["name"], "balance");
}

#[tokio::test]
async fn settle_writes_only_what_its_author_may_write_now() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let conflict = size_conflict(&mut one, &mut two, shell).await;
    // Since the offer its author has lost the right to change items.
    let member = &kit.member.account;
    let body = format!("jsonb_set(body, '{{offered_by}}', to_jsonb('{member}'::text))");
    app.execute(&format!("update conflicts set created_by = '{member}', body = {body}")).await;
    let _ = settling(&kit, &kit.member, conflict, &json!({"keep": "offered"})).await.problem("forbidden");
    assert_eq!(open_conflicts(&kit).await, 1);
    let _ = settling(&kit, &kit.member, conflict, &json!({"keep": "kept"})).await.expect(200);
    assert_eq!(shown(&kit, "items", shell).await["size"], "L");
}
