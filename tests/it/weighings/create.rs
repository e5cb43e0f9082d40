use chrono::{SecondsFormat, TimeDelta};
use serde_json::{Value, json};
use system_tests::harness::actors::Kitroom;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id, scale, sitting, weighing, weighing_in};
use system_tests::harness::client::Method;
use system_tests::harness::redact::redacted;
use uuid::Uuid;

async fn with_item(app: &TestApp) -> (Kitroom, Uuid) {
    let kit = app.kitroom().await;
    let shell = kit.keeper.post(&kit.path("items"), &item("blue shell")).await.expect(201).id();
    (kit, shell)
}

#[tokio::test]
async fn create_weighing_by_a_member_gives_the_item_its_mass() {
    let app = TestApp::start().await;
    let (kit, shell) = with_item(&app).await;
    let body =
        weighing(shell, 412.0).with("raw", json!({"text": "412", "unit": "g"})).with("source", "typed");
    let reply = kit.member.post(&kit.path("weighings"), &body).await;
    insta::assert_json_snapshot!(redacted(&reply.expect(201)), @r#"
    {
      "created_by": "[id]",
      "id": "[id]",
      "item_id": "[id]",
      "observed_at": "2026-03-01T05:10:00.000Z",
      "raw": {
        "text": "412",
        "unit": "g"
      },
      "reading_g": 412,
      "recorded_at": "[time]",
      "recorded_by": "[id]",
      "resolution_g": 1,
      "source": "typed",
      "version": 2
    }
    "#);
    let shown = kit.viewer.get(&kit.path(&format!("items/{shell}"))).await.expect(200);
    assert_eq!(
        (&shown["mass_g"], &shown["mass_basis"], &shown["mass_n"]),
        (&412.into(), &"measured".into(), &1.into())
    );
    // u^2 = 2 d^2/12 + (2 mpe)^2/3, with d = e = 1 g and a class III mpe of 0.5 g up to 500 e (OIML R 76-1, table 6).
    let u = (2.0 / 12.0 + 1.0 / 3.0f64).sqrt();
    assert!((shown["mass_u_g"].as_f64().unwrap() - u).abs() < 5e-5, "{shown}");
    assert_eq!(shown["mass_calibration"], "assumed");
}

#[tokio::test]
async fn create_weighing_without_a_time_is_of_now_and_repeats_harmlessly() {
    let app = TestApp::start().await;
    let (kit, shell) = with_item(&app).await;
    app.clock.stop_at("2026-06-01T04:00:00Z");
    let body = weighing(shell, 412.0).without("observed_at").with("id", new_id().to_string());
    let first = kit.member.post(&kit.path("weighings"), &body).await.expect(201);
    assert_eq!(
        (&first["observed_at"], &first["recorded_at"]),
        (&"2026-06-01T04:00:00.000Z".into(), &"2026-06-01T04:00:00.000Z".into())
    );
    app.clock.advance(TimeDelta::minutes(5));
    assert_eq!(kit.member.post(&kit.path("weighings"), &body).await.expect(200), first);
    assert_eq!(app.count("weighings").await, 1);
}

#[tokio::test]
async fn create_weighing_each_bad_field_is_named_and_nothing_is_stored() {
    let app = TestApp::start().await;
    let (kit, shell) = with_item(&app).await;
    let on = kit.member.post(&kit.path("scales"), &scale()).await.expect(201).id();
    let at = kit.member.post(&kit.path("sittings"), &sitting(on)).await.expect(201).id();
    let on_scale =
        |reading: f64| weighing(shell, reading).without("resolution_g").with("scale_id", on.to_string());
    let cases = [
        // Over the scale's capacity, named directly or through the sitting.
        (on_scale(5000.001), "/reading_g", "over-capacity"),
        (weighing_in(at, shell, 5200.0), "/reading_g", "over-capacity"),
        // A net mass that is not above zero.
        (weighing(shell, 0.0), "/reading_g", "out-of-range"),
        (weighing(shell, -412.0), "/reading_g", "out-of-range"),
        (weighing(shell, 40.0).with("tare_g", 40), "/reading_g", "out-of-range"),
        // No number at all: JSON has no NaN, and text is no number.
        (weighing(shell, 412.0).with("reading_g", "NaN"), "/reading_g", "invalid"),
        (weighing(shell, 412.0).with("reading_g", Value::Null), "/reading_g", "missing"),
        (weighing(shell, 412.0).with("reading_g", 412.0004), "/reading_g", "invalid"),
        (weighing(shell, 412.0).with("reading_g", 1e300), "/reading_g", "invalid"),
        (weighing(shell, 412.0).with("tare_g", -1e9), "/tare_g", "invalid"),
        // A unit that is none: masses are in grams, whatever the raw text says.
        (weighing(shell, 412.0).with("unit", "stone"), "/unit", "unknown-field"),
        (weighing(shell, 412.0).with("raw", json!({"text": "412"})), "/raw/unit", "missing"),
        (weighing(shell, 412.0).with("raw", json!({"text": "412", "unit": ""})), "/raw/unit", "invalid"),
        (
            weighing(shell, 412.0).with("raw", json!({"text": "412", "unit": "g", "x": 1})),
            "/raw/x",
            "invalid",
        ),
        (weighing(shell, 412.0).with("units", 0), "/units", "out-of-range"),
        (weighing(shell, 412.0).with("units", 10_001), "/units", "out-of-range"),
        (weighing(shell, 412.0).with("units", 1.5), "/units", "invalid"),
        (weighing(shell, 412.0).with("lifts", 0), "/lifts", "out-of-range"),
        (weighing(shell, 412.0).with("samples", 0), "/samples", "out-of-range"),
        (weighing(shell, 412.0).with("wetness", "moist"), "/wetness", "invalid"),
        (weighing(shell, 412.0).with("fill", "half"), "/fill", "invalid"),
        (weighing(shell, 412.0).with("source", "guess"), "/source", "invalid"),
        (weighing(shell, 412.0).with("observed_at", "2026-02-30T00:00:00Z"), "/observed_at", "invalid"),
        (weighing(shell, 412.0).with("voided", json!({})), "/voided", "unknown-field"),
        (weighing(shell, 412.0).with("time_suspect", true), "/time_suspect", "unknown-field"),
        (weighing(new_id(), 412.0), "/item_id", "no-such-record"),
        (weighing(on, 412.0), "/item_id", "no-such-record"),
        (weighing(shell, 412.0).without("item_id"), "/item_id", "missing"),
        (weighing_in(new_id(), shell, 412.0), "/sitting_id", "no-such-record"),
        (
            weighing(shell, 412.0).with("supersedes_id", new_id().to_string()),
            "/supersedes_id",
            "no-such-record",
        ),
        // At most one of sitting and scale; with neither, the resolution.
        (weighing_in(at, shell, 412.0).with("scale_id", on.to_string()), "/scale_id", "contradiction"),
        (weighing_in(at, shell, 412.0).with("resolution_g", 1), "/resolution_g", "contradiction"),
        (on_scale(412.0).with("resolution_g", 1), "/resolution_g", "contradiction"),
        (weighing(shell, 412.0).without("resolution_g"), "/resolution_g", "missing"),
        (weighing(shell, 412.0).with("resolution_g", 0), "/resolution_g", "out-of-range"),
    ];
    for (body, pointer, code) in cases {
        let call = kit.member.posting(&kit.path("weighings"), &body);
        let problem = app.refuses(call, "validation-failed").await;
        let errors = problem["errors"].as_array().unwrap();
        assert_eq!(errors.len(), 1, "{body}: {problem}");
        assert_eq!((errors[0].text("pointer"), errors[0].text("code")), (pointer, code), "{body}: {problem}");
    }
    // NaN as a bare word is no JSON.
    let body = weighing(shell, 412.0).to_string().replace("412.0", "NaN");
    let call =
        kit.member.call(Method::POST, &kit.path("weighings")).header("Content-Type", "application/json");
    let problem = app.refuses(call.body(body.clone()), "malformed-json").await;
    let at = problem["byte"].as_u64().unwrap() as usize;
    assert!(
        body[..=at].contains("\"reading_g\":") && at <= body.find("NaN").unwrap() + 3,
        "byte {at} of {body}"
    );
    assert_eq!(app.count("weighings").await, 0);
}

#[tokio::test]
async fn create_weighing_a_time_over_a_day_ahead_is_refused_and_just_under_is_not() {
    let app = TestApp::start().await;
    let (kit, shell) = with_item(&app).await;
    app.clock.stop_at("2026-06-01T12:00:00Z");
    let at = |ms: i64| {
        let at = app.clock.now() + TimeDelta::hours(24) + TimeDelta::milliseconds(ms);
        weighing(shell, 412.0).with("observed_at", at.to_rfc3339_opts(SecondsFormat::Millis, true))
    };
    let problem = app.refuses(kit.member.posting(&kit.path("weighings"), &at(1)), "validation-failed").await;
    assert_eq!(problem["errors"][0]["pointer"], "/observed_at");
    assert_eq!(problem["errors"][0]["code"], "out-of-range");
    let _ = kit.member.post(&kit.path("weighings"), &at(0)).await.expect(201);
}

#[tokio::test]
async fn create_weighing_by_a_viewer_is_forbidden() {
    let app = TestApp::start().await;
    let (kit, shell) = with_item(&app).await;
    app.refuses(kit.viewer.posting(&kit.path("weighings"), &weighing(shell, 412.0)), "forbidden").await;
}

#[tokio::test]
async fn create_weighing_has_no_patch_and_no_delete() {
    let app = TestApp::start().await;
    let (kit, shell) = with_item(&app).await;
    let made = kit.member.post(&kit.path("weighings"), &weighing(shell, 412.0)).await;
    let path = made.header("location").to_owned();
    for call in [
        kit.owner.patching(&path, &made.etag(), &json!({"reading_g": 1})),
        kit.owner.deleting(&path, &made.etag()),
        kit.owner.call(Method::PUT, &path).json(&weighing(shell, 1.0)),
    ] {
        let reply = call.send().await;
        let _ = reply.problem("method-not-allowed");
        assert_eq!(reply.header("allow"), "GET");
    }
}
