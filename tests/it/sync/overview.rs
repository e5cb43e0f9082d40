use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item};
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
        "pull_changes": 2000,
        "push_bytes": 1048576,
        "push_ops": 500,
        "record_bytes": 65536
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
