use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{OBSERVED_AT, With, new_id};
use system_tests::harness::device::statuses;
use uuid::Uuid;

use super::{conflict_of, head, open_conflicts, shown, two_devices};

fn event(item: Uuid, event: &str, after: &[Uuid]) -> Value {
    let body = json!({"item_id": item, "event": event, "observed_at": OBSERVED_AT, "after": after});
    if event == "retire" { body.with("reason", "leak") } else { body }
}

#[tokio::test]
async fn push_of_judgements_that_do_not_know_each_other_is_settled_by_one_that_does() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let (first, second, third) = (new_id(), new_id(), new_id());
    let op = one.op("append", "log_entry", first, 1, event(shell, "watch", &[]));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    // Two that agree are no contradiction.
    let op = two.op("append", "log_entry", second, 1, event(shell, "watch", &[]));
    assert_eq!(statuses(&two.push(&[op]).await), ["applied"]);
    let op = two.op("append", "log_entry", third, 1, event(shell, "retire", &[second]));
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    let stored = shown(&kit, "conflicts", conflict).await;
    assert_eq!((&stored["about"], &stored["kind"]), (&"state_heads".into(), &"item".into()));
    assert_eq!(stored["record_id"], json!(shell));
    let named =
        |ids: &[Uuid]| ids.iter().map(|id| json!({"kind": "log_entry", "id": id})).collect::<Vec<_>>();
    assert_eq!(stored["among"], json!(named(&[first, third])));
    // The stricter holds until a person has looked.
    let item = shown(&kit, "items", shell).await;
    assert_eq!((&item["state"], &item["state_contested"]), (&"retired".into(), &true.into()));
    let seen = head(&app, &kit).await;
    let op = one.op("settle", "conflict", conflict, seen, json!({"keep": "kept"}));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    let item = shown(&kit, "items", shell).await;
    assert_eq!((&item["state"], item.get("state_contested")), (&"on_watch".into(), None));
    assert_eq!(app.count("log_entries").await, 4);
    assert_eq!(open_conflicts(&kit).await, 0);
}

#[tokio::test]
async fn settle_heads_with_an_event_of_ones_own() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let ops = [one.op("append", "log_entry", new_id(), 1, event(shell, "quarantine", &[]))];
    one.push(&ops).await;
    let op = two.op("append", "log_entry", new_id(), 1, event(shell, "clear", &[]));
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    let path = kit.path(&format!("conflicts/{conflict}"));
    let tag = kit.keeper.get(&path).await.etag();
    let post = |body| kit.keeper.posting(&format!("{path}/resolution"), &body).header("If-Match", &tag);
    for (body, pointer) in [
        (json!({"keep": "other"}), "/value/event"),
        (json!({"keep": "other", "value": {"event": "wash"}}), "/value/event"),
        (json!({"keep": "other", "value": {"event": "retire"}}), "/value/reason"),
    ] {
        let problem = post(body.clone()).send().await.problem("validation-failed");
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{body}");
    }
    let value = json!({"event": "watch", "note": "looked at together"});
    let _ = post(json!({"keep": "other", "value": value})).send().await.expect(200);
    let item = shown(&kit, "items", shell).await;
    assert_eq!((&item["state"], item.get("state_contested")), (&"on_watch".into(), None));
    let log = kit.viewer.get(&kit.path("log-entries?event=watch")).await.expect(200);
    assert_eq!(log["items"][0]["note"], "looked at together");
    assert_eq!(log["items"][0]["after"].as_array().unwrap().len(), 2);
}

#[tokio::test]
async fn heads_that_agree_again_or_no_more_end_and_open_the_conflict() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let (watch, retire, clear) = (new_id(), new_id(), new_id());
    let op = one.op("append", "log_entry", watch, 1, event(shell, "watch", &[]));
    one.push(&[op]).await;
    let op = two.op("append", "log_entry", retire, 1, event(shell, "retire", &[]));
    let conflict = conflict_of(&two.push(&[op]).await[0]);
    // An ordinary event that has seen both.
    let op = one.op("append", "log_entry", clear, 4, event(shell, "clear", &[watch, retire]));
    assert_eq!(statuses(&one.push(&[op]).await), ["applied"]);
    assert_eq!(shown(&kit, "conflicts", conflict).await["resolution"]["keep"], "other");
    // Voided, it brings back what it named, and with that the contradiction.
    let op = one.op("void", "log_entry", clear, 6, json!({"reason": "the other shell"}));
    let again = conflict_of(&one.push(&[op]).await[0]);
    assert_ne!(again, conflict);
    assert_eq!(open_conflicts(&kit).await, 1);
    let op = two.op("void", "log_entry", retire, 8, json!({"reason": "the other shell"}));
    assert_eq!(statuses(&two.push(&[op]).await), ["applied"]);
    assert_eq!(open_conflicts(&kit).await, 0);
    assert_eq!(shown(&kit, "items", shell).await["state"], "on_watch");
}

#[tokio::test]
async fn create_of_a_state_event_without_after_comes_after_all_heads() {
    let app = TestApp::start().await;
    let (kit, mut one, mut two, shell) = two_devices(&app).await;
    let (first, second) = (new_id(), new_id());
    let op = one.op("append", "log_entry", first, 1, event(shell, "watch", &[]));
    one.push(&[op]).await;
    let op = two.op("append", "log_entry", second, 1, event(shell, "quarantine", &[]));
    conflict_of(&two.push(&[op]).await[0]);
    let body = json!({"id": new_id(), "item_id": shell, "event": "clear", "observed_at": OBSERVED_AT});
    let made = kit.member.post(&kit.path("log-entries"), &body).await.expect(201);
    let mut heads = vec![first, second];
    heads.sort_unstable();
    assert_eq!(made["after"], json!(heads));
    assert_eq!(open_conflicts(&kit).await, 0);
    assert_eq!(shown(&kit, "items", shell).await["state"], "serviceable");
    // The same request again finds what it made.
    assert_eq!(kit.member.post(&kit.path("log-entries"), &body).await.expect(200)["after"], json!(heads));
    // What replaces an event does not come after it.
    let body =
        json!({"item_id": shell, "event": "watch", "observed_at": OBSERVED_AT, "supersedes_id": made["id"]});
    let right = kit.member.post(&kit.path("log-entries"), &body).await.expect(201);
    assert_eq!(right["after"], json!(heads));
    assert_eq!(shown(&kit, "items", shell).await["state"], "on_watch");
}
