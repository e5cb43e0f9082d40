use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn get_sync_lists_own_kitrooms_with_their_heads_and_limits() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let _ = kit.keeper.post(&kit.path("items"), &item("x")).await.expect(201);
    let sync = kit.member.get("/v1/sync").await.expect(200);
    insta::assert_json_snapshot!(redacted(&sync), @r#"
    {
      "kitrooms": [
        {
          "epoch": "[id]",
          "floor_seq": 0,
          "head_seq": 1,
          "kitroom_id": "[id]",
          "open_conflicts": 0,
          "role": "member"
        }
      ],
      "limits": {
        "pull_bytes": 4194304,
        "pull_changes": 2000,
        "push_bytes": 1048576,
        "push_ops": 500,
        "record_bytes": 65536,
        "wait_s": 55
      },
      "removed": [],
      "schema": {
        "current": 1,
        "min": 1
      },
      "server_time": "[time]"
    }
    "#);
}

#[tokio::test]
async fn get_sync_names_a_kitroom_as_removed_only_to_whom_it_was_taken_from() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let sync = kit.removed.get("/v1/sync").await.expect(200);
    assert_eq!(sync["kitrooms"], json!([]));
    assert_eq!(sync["removed"][0].text("kitroom_id"), kit.id.to_string());
    let sync = kit.outsider.get("/v1/sync").await.expect(200);
    assert_eq!((&sync["kitrooms"], &sync["removed"]), (&json!([]), &json!([])));
}

#[tokio::test]
async fn get_sync_again_is_not_modified_until_something_of_it_changes() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let ask = |tag: String| kit.member.getting("/v1/sync").header("If-None-Match", &tag).send();
    let mut tag = kit.member.get("/v1/sync").await.header("etag").to_owned();
    assert!(tag.starts_with("W/\""), "{tag}");
    // The server's own time is no change.
    app.clock.advance(chrono::TimeDelta::minutes(5));
    let unchanged = ask(tag.clone()).await;
    assert_eq!((unchanged.status, unchanged.header("etag"), unchanged.body.len()), (304, tag.as_str(), 0));
    assert_eq!(ask(format!("\"x\", {tag}")).await.status, 304);
    // What another account sees has another tag.
    assert_eq!(kit.viewer.getting("/v1/sync").header("If-None-Match", &tag).send().await.status, 200);
    let changes = [
        format!("update kitrooms set head_seq = head_seq + 1 where id = '{}'", kit.id),
        format!("update kitrooms set floor_seq = 1 where id = '{}'", kit.id),
        format!("update kitrooms set epoch = '{}' where id = '{}'", new_id(), kit.id),
        format!("update memberships set role = 'keeper' where account_id = '{}'", kit.member.account),
        format!("update memberships set removed_at = now() where account_id = '{}'", kit.member.account),
    ];
    for change in changes {
        app.execute(&change).await;
        let reply = ask(tag.clone()).await;
        assert_eq!(reply.status, 200, "{change}");
        assert_ne!(reply.header("etag"), tag, "{change}");
        tag = reply.header("etag").to_owned();
    }
}

#[tokio::test]
async fn get_sync_names_what_was_left_or_deleted_and_never_what_is_not_there() {
    let app = TestApp::start().await;
    let (left, deleted, kept) = (app.kitroom().await, app.kitroom().await, app.kitroom().await);
    let member = &left.member;
    for kit in [&deleted, &kept] {
        app.join(kit.id, member, "viewer").await;
    }
    app.leave(left.id, member).await;
    let owner = app.log_in(&deleted.owner).await;
    let path = format!("/v1/kitrooms/{}", deleted.id);
    assert_eq!(owner.deleting(&path, "*").send().await.status, 204);
    let sync = member.get("/v1/sync").await.expect(200);
    let ids = |list: &str| -> Vec<String> {
        let ids = sync[list].as_array().unwrap().iter().map(|one| one.text("kitroom_id").to_owned());
        ids.collect()
    };
    assert_eq!(ids("kitrooms"), [kept.id.to_string()]);
    assert_eq!(ids("removed"), [left.id.to_string(), deleted.id.to_string()]);
    for removed in sync["removed"].as_array().unwrap() {
        system_tests::harness::redact::assert_time(removed.text("removed_at"));
    }
    // Somebody who never was in it hears of neither, and whoever comes back has it back.
    let other = kept.viewer.get("/v1/sync").await.expect(200);
    assert_eq!(other["removed"], json!([]));
    app.execute(&format!("update memberships set removed_at = null where kitroom_id = '{}'", left.id)).await;
    let sync = member.get("/v1/sync").await.expect(200);
    assert_eq!(sync["kitrooms"].as_array().unwrap().len(), 2);
    assert_eq!(sync["removed"].as_array().unwrap().len(), 1);
}
