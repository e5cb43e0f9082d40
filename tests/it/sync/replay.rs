//! Payloads that were recorded from a service of wire version 1. They are replayed for ever: a device that has been
//! offline for a season must be understood, and must understand.

use std::fs;
use std::path::Path;

use domain::wire::kitroom::Purpose;
use domain::wire::sync::{ChangesPage, Digest};
use serde_json::Value;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::With;
use system_tests::harness::device::{digest_of, replica_of};
use uuid::Uuid;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/../fixtures/wire/v1");

fn recordings() -> Vec<(String, Value)> {
    let mut files: Vec<_> = fs::read_dir(FOLDER).unwrap().map(|entry| entry.unwrap().path()).collect();
    files.retain(|file| file.extension().is_some_and(|extension| extension == "json"));
    files.sort();
    let read = |file: &Path| serde_json::from_str(&fs::read_to_string(file).unwrap()).unwrap();
    files.iter().map(|file| (file.file_stem().unwrap().to_string_lossy().into_owned(), read(file))).collect()
}

/// What is random: cursors and acks hold a commit's mark.
const RANDOM: [&str; 3] = ["ack", "next_cursor", "request_id"];

/// Where an answer is not what was recorded. Whoever reads what was recorded skips fields that came later; all others
/// have to be there as they were.
fn difference(at: &str, recorded: &Value, answered: &Value) -> Option<String> {
    match (recorded, answered) {
        (Value::Object(recorded), Value::Object(answered)) => {
            recorded.iter().filter(|(name, _)| !RANDOM.contains(&name.as_str())).find_map(|(name, value)| {
                let now = answered.get(name).unwrap_or(&Value::Null);
                difference(&format!("{at}/{name}"), value, now)
            })
        }
        (Value::Array(recorded), Value::Array(answered)) if recorded.len() == answered.len() => {
            let pairs = recorded.iter().zip(answered).enumerate();
            pairs.into_iter().find_map(|(n, (one, other))| difference(&format!("{at}/{n}"), one, other))
        }
        (recorded, answered) if recorded == answered => None,
        (recorded, answered) => Some(format!("{at}: was {recorded}, is {answered}")),
    }
}

#[test]
fn difference_forgives_what_came_later_and_nothing_else() {
    let recorded = serde_json::json!({"a": 1, "b": [{"c": null}, {"d": "x"}], "next_cursor": "y"});
    let same = serde_json::json!({"a": 1, "b": [{"e": 5}, {"d": "x"}], "next_cursor": "z", "f": 6});
    assert_eq!(difference("", &recorded, &same), None);
    for (name, value) in [("a", 2.into()), ("b", serde_json::json!([])), ("b", serde_json::json!([{}, {}]))] {
        let other = same.clone().with(name, value);
        assert!(
            difference("", &recorded, &other).is_some_and(|words| words.starts_with(&format!("/{name}")))
        );
    }
}

#[tokio::test]
async fn recorded_exchanges_are_still_answered_as_they_were() {
    let recordings = recordings();
    assert!(recordings.len() >= 4, "recordings are missing from fixtures/wire/v1");
    let mut fresh = Vec::new();
    for (name, recording) in recordings {
        let app = TestApp::start().await;
        app.clock.stop_at(recording.text("clock"));
        let id = |field: &str| Uuid::parse_str(recording.text(field)).unwrap();
        let ada = app.actor_with_id("Ada", id("account_id")).await;
        app.insert_kitroom(id("kitroom_id"), Purpose::Club, &ada).await;
        app.execute(&format!("update kitrooms set epoch = '{}'", recording.text("epoch"))).await;
        let mut answered = recording.clone();
        for (at, exchange) in recording["exchanges"].as_array().unwrap().iter().enumerate() {
            let path = format!("/v1/kitrooms/{}/{}", id("kitroom_id"), exchange.text("path"));
            let call = match &exchange["request"] {
                Value::Null => ada.getting(&path),
                request => ada.posting(&path, request),
            };
            let reply = call.send().await;
            let answer = reply.expect(u16::try_from(exchange["status"].as_u64().unwrap()).unwrap());
            if exchange.get("response").is_some() {
                let found = difference("", &exchange["response"], &answer);
                assert_eq!(found, None, "{name}, exchange {at}");
            } else {
                answered["exchanges"][at]["response"] = answer;
            }
        }
        if answered != recording {
            // A new recording: what was answered is for a person to read before it is kept.
            let file = Path::new(env!("CARGO_TARGET_TMPDIR")).join(format!("{name}.json"));
            fs::write(&file, format!("{answered:#}\n")).unwrap();
            fresh.push(file);
        }
    }
    assert!(fresh.is_empty(), "without answers; look at these and put them in their places: {fresh:?}");
}

#[test]
fn recorded_pages_are_still_understood_and_add_up_to_their_digests() {
    for (name, recording) in recordings() {
        let exchanges = recording["exchanges"].as_array().unwrap();
        let response = |path: &str| {
            let found = exchanges.iter().rfind(|exchange| exchange.text("path").starts_with(path));
            found.unwrap_or_else(|| panic!("{name} has no {path}"))["response"].clone()
        };
        let page: ChangesPage = serde_json::from_value(response("changes")).unwrap();
        let digest: Digest = serde_json::from_value(response("digest")).unwrap();
        assert!(!replica_of(&page.changes).is_empty(), "{name}");
        assert_eq!(digest_of(&page.changes), digest.kinds, "{name}");
    }
}
