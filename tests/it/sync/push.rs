use chrono::{SecondsFormat, TimeDelta};
use serde_json::{Value, json};
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, scale, weighing};
use system_tests::harness::device::{Device, refusal, statuses};
use system_tests::harness::redact::redacted;

#[tokio::test]
async fn push_ops_of_every_kind_are_applied_in_order() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let (shell, scale_id, sitting, check, reading) = (new_id(), new_id(), new_id(), new_id(), new_id());
    let ops = [
        device.create_item(shell, "blue shell"),
        device.op("create", "scale", scale_id, 0, scale()),
        device.op("create", "sitting", sitting, 0, system_tests::harness::bodies::sitting(scale_id)),
        device.op(
            "append",
            "check_reading",
            check,
            0,
            system_tests::harness::bodies::check_reading(sitting, 201.0),
        ),
        device.op(
            "append",
            "weighing",
            reading,
            0,
            system_tests::harness::bodies::weighing_in(sitting, shell, 413.0),
        ),
        device.op("patch", "item", shell, 0, json!({"size": "M"})),
        device.op("void", "weighing", reading, 0, json!({"reason": "the other shell"})),
    ];
    let reply = device.pushing(&ops).send().await;
    insta::assert_json_snapshot!(redacted(&reply.expect(200)), @r#"
    {
      "ack": "[cursor]",
      "epoch": "[id]",
      "head_seq": 7,
      "results": [
        {
          "op_id": "[id]",
          "seq": 1,
          "status": "applied"
        },
        {
          "op_id": "[id]",
          "seq": 2,
          "status": "applied"
        },
        {
          "op_id": "[id]",
          "seq": 3,
          "status": "applied"
        },
        {
          "op_id": "[id]",
          "seq": 4,
          "status": "applied"
        },
        {
          "op_id": "[id]",
          "seq": 5,
          "status": "applied"
        },
        {
          "op_id": "[id]",
          "seq": 6,
          "status": "applied"
        },
        {
          "op_id": "[id]",
          "seq": 7,
          "status": "applied"
        }
      ]
    }
    "#);
    assert_eq!(app.count("applied_ops").await, 7);
    assert_eq!(app.scalar::<i64>("select last_op_no from replicas").await, 7);
    assert_eq!(app.count("commits").await, 1);
}

#[tokio::test]
async fn push_of_nothing_changes_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let device = Device::new(&kit.member, kit.id);
    assert!(device.push(&[]).await.is_empty());
    assert_eq!(app.scalar::<i64>(&format!("select head_seq from kitrooms where id = '{}'", kit.id)).await, 0);
}

#[tokio::test]
async fn push_ops_501_of_them_are_refused_whole() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops: Vec<Value> = (0..501).map(|n| device.create_item(new_id(), &format!("gel {n}"))).collect();
    let problem = app.refuses(device.pushing(&ops), "payload-too-large").await;
    assert_eq!(problem["limit_ops"], 500);
    assert_eq!(statuses(&device.push(&ops[..500]).await), vec!["applied"; 500]);
}

#[tokio::test]
async fn push_op_of_a_record_at_the_limit_is_taken_and_one_byte_more_is_refused() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    // 64 attributes of up to 400 characters of up to 4 bytes, filled up to the wanted length byte by byte.
    let sized = |bytes: usize| {
        let mut body = item("x").with("attributes", json!({}));
        for n in 10..74 {
            body["attributes"][format!("a{n}")] = "".into();
        }
        let mut missing = bytes - body.to_string().len();
        for n in 10..74 {
            let (wide, narrow) = if missing >= 1600 { (400, 0) } else { (missing / 4, missing % 4) };
            let text = "\u{1F3D4}".repeat(wide) + &"x".repeat(narrow);
            missing -= text.len();
            body["attributes"][format!("a{n}")] = text.into();
        }
        assert_eq!(body.to_string().len(), bytes);
        body
    };
    let ops = [
        device.op("create", "item", new_id(), 0, sized(64 * 1024)),
        device.op("create", "item", new_id(), 0, sized(64 * 1024 + 1)),
        device.create_item(new_id(), "after it"),
    ];
    let results = device.push(&ops).await;
    assert_eq!(statuses(&results), ["applied", "rejected", "applied"]);
    assert_eq!(refusal(&results[1]), "payload-too-large");
    assert_eq!(app.count("items").await, 2);
}

#[tokio::test]
async fn push_op_of_an_unknown_kind_or_action_is_rejected_and_holds_up_no_other() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let shell = new_id();
    let ops = [
        device.op("create", "hovercraft", new_id(), 0, json!({"name": "x"})),
        device.create_item(shell, "blue shell"),
        device.op("append", "item", new_id(), 0, item("x")),
        device.op("create", "weighing", new_id(), 0, weighing(shell, 412.0)),
        device.op("patch", "weighing", new_id(), 0, json!({"reading_g": 4})),
        device.op("append", "weighing", new_id(), 0, weighing(shell, 412.0)),
    ];
    let results = device.push(&ops).await;
    assert_eq!(statuses(&results), ["rejected", "applied", "rejected", "rejected", "rejected", "applied"]);
    assert_eq!(results[0]["problem"]["errors"][0]["pointer"], "/kind");
    assert_eq!(results[2]["problem"]["errors"][0]["pointer"], "/action");
    assert_eq!(app.scalar::<i64>("select last_op_no from replicas").await, 6);
}

#[tokio::test]
async fn push_op_with_a_time_far_ahead_is_stored_as_suspect_and_counts_nowhere() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    app.clock.stop_at("2026-06-01T12:00:00Z");
    let ahead = |minutes: i64| {
        (app.clock.now() + TimeDelta::minutes(minutes)).to_rfc3339_opts(SecondsFormat::Millis, true)
    };
    let (shell, now, suspect, fine) = (new_id(), new_id(), new_id(), new_id());
    let ops = [
        device.create_item(shell, "blue shell"),
        device.op("append", "weighing", now, 0, weighing(shell, 400.0).with("observed_at", ahead(0))),
        device.op(
            "append",
            "weighing",
            suspect,
            0,
            weighing(shell, 999.0).with("observed_at", ahead(24 * 60 + 5)),
        ),
        device.op(
            "append",
            "weighing",
            fine,
            0,
            weighing(shell, 400.0).with("observed_at", ahead(24 * 60 - 5)),
        ),
    ];
    assert_eq!(statuses(&device.push(&ops).await), vec!["applied"; 4]);
    let (changes, _) = device.pull(100).await;
    let suspects: Vec<_> =
        changes.iter().filter(|c| c.record.as_ref().unwrap().contains_key("time_suspect")).collect();
    assert_eq!(suspects.iter().map(|change| change.id).collect::<Vec<_>>(), [suspect]);
    let path = kit.path(&format!("items/{shell}"));
    let shown = kit.viewer.get(&path).await.expect(200);
    assert_eq!((&shown["mass_g"], &shown["mass_n"]), (&400.into(), &2.into()));
    assert_eq!(shown["last_weighed_at"], ahead(24 * 60 - 5).as_str());
    // A fact that replaces it and has the right time counts.
    let right =
        weighing(shell, 400.0).with("observed_at", ahead(0)).with("supersedes_id", suspect.to_string());
    let ops = [device.op("append", "weighing", new_id(), 0, right)];
    assert_eq!(statuses(&device.push(&ops).await), ["applied"]);
    assert_eq!(kit.viewer.get(&path).await.expect(200)["mass_n"], 3);
}

#[tokio::test]
async fn push_of_a_schema_version_that_is_not_supported_keeps_the_outbox() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    for version in [0, 2] {
        let body = json!({"replica_id": new_id(), "schema_version": version, "ops": []});
        let problem = app.refuses(kit.keeper.posting(&kit.path("ops"), &body), "schema-unsupported").await;
        assert_eq!((&problem["min"], &problem["current"]), (&1.into(), &1.into()));
    }
}

#[tokio::test]
async fn push_that_is_not_understood_names_every_place_and_stores_nothing() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let path = kit.path("ops");
    let mut device = Device::new(&kit.keeper, kit.id);
    let good = device.create_item(new_id(), "x");
    let v4 = "0f0e4c2e-8b8e-4d0e-9d53-7d1f3d0c2f11";
    let cases = [
        (good.clone().without("op_id"), "/ops/1/op_id"),
        (good.clone().with("op_id", v4), "/ops/1/op_id"),
        (good.clone().with("record_id", v4), "/ops/1/record_id"),
        (good.clone().with("op_no", 0), "/ops/1/op_no"),
        (good.clone().with("op_no", "1"), "/ops/1/op_no"),
        (good.clone().with("base_seq", -1), "/ops/1/base_seq"),
        (good.clone().with("group", ""), "/ops/1/group"),
        (good.clone().with("group", "g".repeat(65)), "/ops/1/group"),
        (good.clone().with("action", "explode"), "/ops/1/action"),
        (good.clone().with("patch", json!({})), "/ops/1/patch"),
        (good.clone().with("value", 5), "/ops/1/value"),
        (good.clone().with("colour", 5), "/ops/1/colour"),
        (good.clone().with("done_at", "yesterday"), "/ops/1/done_at"),
        (Value::from(5), "/ops/1"),
    ];
    for (op, pointer) in cases {
        let problem = app.refuses(device.pushing(&[good.clone(), op]), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
    for (body, pointer) in [
        (json!({"schema_version": 1, "ops": []}), "/replica_id"),
        (json!({"replica_id": v4, "schema_version": 1, "ops": []}), "/replica_id"),
        (json!({"replica_id": new_id(), "ops": []}), "/schema_version"),
        (json!({"replica_id": new_id(), "schema_version": 1}), "/ops"),
        (json!({"replica_id": new_id(), "schema_version": 1, "ops": {}}), "/ops"),
        (json!({"replica_id": new_id(), "schema_version": 1, "ops": [], "x": 1}), "/x"),
    ] {
        let problem = app.refuses(kit.keeper.posting(&path, &body), "validation-failed").await;
        assert_eq!(problem["errors"][0]["pointer"], pointer, "{problem}");
    }
}

#[tokio::test]
async fn push_op_with_a_nul_character_is_rejected_and_holds_up_no_other() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let mut device = Device::new(&kit.keeper, kit.id);
    let gone = new_id();
    let ops = [
        device.op("create", "item", new_id(), 0, item("x").with("notes", "a\u{0}b")),
        device.op("create", "item", new_id(), 0, item("x").with("col\u{0}our", 1)),
        device.op("create", "item", new_id(), 0, item("x").with("attributes", json!({"colour": "re\u{0}d"}))),
        device.create_item(gone, "y"),
        device.op("delete", "item", gone, 0, Value::Null),
        device.op("patch", "item", gone, 0, json!({"size": "\u{0}"})),
        device.create_item(new_id(), "after them"),
    ];
    let results = device.push(&ops).await;
    let wanted = ["rejected", "rejected", "rejected", "applied", "applied", "rejected", "applied"];
    assert_eq!(statuses(&results), wanted);
    // What is refused is kept, so that the same push gets the same answer.
    let again = device.push(&ops).await;
    for (first, again) in results.iter().zip(&again) {
        assert_eq!(&again.clone().without("replayed"), first);
    }
}

#[tokio::test]
async fn push_op_by_whoever_may_not_is_rejected_and_a_member_may_add_facts() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let shell = kit.keeper.post(&kit.path("items"), &item("x")).await.expect(201).id();
    for (actor, wanted) in [
        (&kit.viewer, ["rejected", "rejected", "rejected"]),
        (&kit.member, ["rejected", "applied", "rejected"]),
        (&kit.owner, ["applied", "applied", "applied"]),
    ] {
        let mut device = Device::new(actor, kit.id);
        let ops = [
            device.create_item(new_id(), "y"),
            device.op("append", "weighing", new_id(), 0, weighing(shell, 412.0)),
            device.op("patch", "item", shell, 100, json!({"notes": "z"})),
        ];
        let results = device.push(&ops).await;
        assert_eq!(statuses(&results), wanted);
        for result in results.iter().filter(|result| result["status"] == "rejected") {
            assert_eq!(refusal(result), "forbidden");
        }
    }
    // Whoever is a member no longer is one for the ops that were made before, too.
    let mut device = Device::new(&kit.removed, kit.id);
    let ops = [device.op("append", "weighing", new_id(), 0, weighing(shell, 412.0))];
    app.refuses(device.pushing(&ops), "not-found").await;
}

#[tokio::test]
async fn push_op_that_names_what_is_not_in_this_kitroom_is_rejected_by_pointer() {
    let app = TestApp::start().await;
    let (kit, other) = (app.kitroom().await, app.kitroom().await);
    let foreign = other.keeper.post(&other.path("items"), &item("x")).await.expect(201).id();
    let mut device = Device::new(&kit.keeper, kit.id);
    let ops = [
        device.op("append", "weighing", new_id(), 0, weighing(foreign, 412.0)),
        device.op("append", "weighing", new_id(), 0, weighing(new_id(), 412.0)),
        device.op("patch", "item", foreign, 100, json!({"size": "M"})),
        device.op("void", "weighing", new_id(), 0, json!({"reason": "x"})),
    ];
    let results = device.push(&ops).await;
    assert_eq!(statuses(&results), vec!["rejected"; 4]);
    for result in &results[..2] {
        assert_eq!(result["problem"]["errors"][0]["pointer"], "/item_id");
        assert_eq!(result["problem"]["errors"][0]["code"], "no-such-record");
    }
    assert_eq!((refusal(&results[2]), refusal(&results[3])), ("not-found", "not-found"));
}
