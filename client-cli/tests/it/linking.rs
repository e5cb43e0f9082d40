//! Linking over HTTP: a loopback service in front of the model.

use std::net::TcpListener;
use std::sync::Arc;
use std::thread::JoinHandle;

use client_cli::error::Kind;
use client_cli::remote::{Failure, Remote};
use serde_json::{Value, json};
use tiny_http::{Method, Request, Response, Server};

use crate::devices::Device;
use crate::model::Line;

pub const TOKEN: &str = "tbd_not-a-real-token";

/// A service on this machine; it stops when it is dropped.
pub struct Service {
    pub url: String,
    server: Arc<Server>,
    thread: Option<JoinHandle<()>>,
}

impl Service {
    pub fn start(line: &Line) -> Self {
        let server = Arc::new(Server::http("127.0.0.1:0").unwrap());
        let url = format!("http://{}", server.server_addr());
        let (serving, line) = (Arc::clone(&server), line.clone());
        let thread = std::thread::spawn(move || {
            for request in serving.incoming_requests() {
                answer(request, &mut line.clone());
            }
        });
        Self { url, server, thread: Some(thread) }
    }
}

impl Drop for Service {
    fn drop(&mut self) {
        self.server.unblock();
        if let Some(thread) = self.thread.take() {
            let _ = thread.join();
        }
    }
}

fn answer(mut request: Request, line: &mut Line) {
    let mut body = String::new();
    request.as_reader().read_to_string(&mut body).unwrap();
    let body: Value = serde_json::from_str(&body).unwrap_or(Value::Null);
    let bearer = request
        .headers()
        .iter()
        .find(|header| header.field.equiv("Authorization"))
        .map(|header| header.value.as_str().trim_start_matches("Bearer ").to_owned());
    let url = request.url().to_owned();
    let (path, query) = url.split_once('?').unwrap_or((&url, ""));
    let parts: Vec<&str> = path.trim_matches('/').split('/').collect();
    let post = *request.method() == Method::Post;
    let param = |name: &str| {
        query.split('&').find_map(|pair| pair.strip_prefix(&format!("{name}="))).map(str::to_owned)
    };
    let param = |name: &str| param(name).map(|value| value.replace("%40", "@"));
    let value = |answer: Result<Value, Failure>| answer;
    let outcome = match (post, parts.as_slice()) {
        (true, ["v1", "sessions"]) if body["password"] == "a long password" => value(Ok(json!({
            "access_token": "access", "token_type": "Bearer", "expires_in_s": 600, "refresh_token": "refresh",
        }))),
        (true, ["v1", "device-tokens"]) if bearer.as_deref() == Some("access") => value(Ok(json!({
            "id": "018f0000-0000-7000-8000-0000000000aa", "name": body["name"], "created_at": "2026-03-01T00:00:00Z",
            "token": TOKEN,
        }))),
        (false, ["v1", "sessions" | "device-tokens", _]) => value(Ok(Value::Null)),
        _ if bearer.as_deref() != Some(TOKEN) => Err(Failure::Refused(domain::wire::problem::Problem::new(
            domain::wire::problem::ErrorCode::NotAuthenticated,
            "the e-mail address, the password or the token is not right",
        ))),
        (false, ["v1", "me"]) => line.me().map(|me| json!(me)),
        (false, ["v1", "sync"]) => line.overview().map(|overview| json!(overview)),
        (false, ["v1", "kitrooms"]) => line.kitrooms().map(|items| json!({ "items": items })),
        (true, ["v1", "kitrooms"]) => {
            line.create_kitroom(&serde_json::from_value(body).unwrap()).map(|room| json!(room))
        }
        (true, ["v1", "kitrooms", id, "ops"]) => {
            line.push(id.parse().unwrap(), &serde_json::from_value(body).unwrap()).map(|answer| json!(answer))
        }
        (false, ["v1", "kitrooms", id, "digest"]) => Ok(json!(line.model().digest(id.parse().unwrap()))),
        (false, ["v1", "kitrooms", id, "changes"]) => {
            let page = line.model().changes_page(id.parse().unwrap(), param("cursor").as_deref());
            page.map(|page| json!(page))
        }
        other => panic!("no such call: {other:?}"),
    };
    let (status, text) = match outcome {
        Ok(value) => (200, value.to_string()),
        Err(Failure::Refused(problem)) => (problem.status, json!(problem).to_string()),
        Err(Failure::Busy { status, .. }) => (status, String::new()),
        // The answer is lost: the line closes without one.
        Err(Failure::Lost(_)) => return drop(request.into_writer()),
    };
    let _ = request.respond(Response::from_string(text).with_status_code(status));
}

#[test]
fn link_with_a_password_makes_a_token_keeps_no_password_and_syncs() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    let args =
        ["link", &service.url, "--insecure-storage", "--email", "runner@example.org", "--password-stdin"];
    let ran = device.run_with(&args, "a long password\n").well();
    let first = ran.err.lines().next().unwrap();
    assert!(
        first.contains("will be kept in the file") && first.contains("the password is not kept"),
        "{first}"
    );
    assert!(ran.err.ends_with("sent 7, received 0\n"), "{}", ran.err);
    assert_eq!(line.model().records(device.room().id).len(), 7);
    for secret in [TOKEN, "a long password", "access"] {
        assert!(!ran.err.contains(secret) && !ran.out.contains(secret));
    }
    let database = std::fs::read(client_cli::local::Store::file(&device.home())).unwrap();
    let database = String::from_utf8_lossy(&database).into_owned();
    assert!(!database.contains(TOKEN) && !database.contains("a long password"));
    let status = device.run(&["status"]).well().out;
    assert!(status.contains("nothing to send") && status.contains("last synced"), "{status}");
    let report = device.run(&["doctor", "--json"]).well().json();
    assert_eq!(report["ok"], true, "{report}");
}

#[test]
fn doctor_replica_that_differs_from_the_service_is_not_well() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    device.run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], TOKEN).well();
    device.run(&["item", "edit", "cup", "--size", "S"]).well();
    device.run(&["sync"]).well();
    let finding = |device: &Device| {
        let ran = device.run(&["doctor", "--json"]);
        let findings = ran.json()["findings"].as_array().unwrap().clone();
        let step = findings.into_iter().find(|finding| finding["about"] == "in step").unwrap();
        (ran.code, step["ok"].as_bool().unwrap(), step["words"].as_str().unwrap().to_owned())
    };
    let same = "Runner A: the same as on the service, 7 records";
    assert_eq!(finding(&device), (0, true, same.to_owned()));
    let database = rusqlite::Connection::open(client_cli::local::Store::file(&device.home())).unwrap();
    database
        .execute("UPDATE base SET record = replace(record, '\"S\"', '\"M\"') WHERE kind = 'item'", [])
        .unwrap();
    drop(database);
    let (code, ok, words) = finding(&device);
    assert_eq!((code, ok), (1, false));
    assert!(words.contains("item"), "{words}");
}

#[test]
fn link_second_device_at_a_terminal_joins_on_enter() {
    let (first, second, line) = (Device::with_kit(), Device::new(), Line::new());
    let service = Service::start(&line);
    first
        .run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], &format!("{TOKEN}\n"))
        .well();
    second.run(&["weigh", "map", "12", "--new", "--whose", "me", "--reads-to", "1"]).well();
    let args = ["link", &service.url, "--insecure-storage"];
    let ran = second.run_at_terminal(&args, "runner@example.org\n\n").well();
    assert!(ran.err.contains("here 1 item, there 3: join [Enter] / keep apart"), "{}", ran.err);
    assert!(ran.err.ends_with("sent 3, received 7\n"), "{}", ran.err);
    assert_eq!(second.run(&["item", "list"]).well().out.lines().count(), 4);
    assert_eq!(first.run(&["sync"]).well().err, "sent 0, received 3\n");
    assert_eq!(first.run(&["item", "list"]).well().out, second.run(&["item", "list"]).well().out);
}

#[test]
fn link_wrong_password_leaves_no_link_behind() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    let args =
        ["link", &service.url, "--insecure-storage", "--email", "runner@example.org", "--password-stdin"];
    let ran = device.run_with(&args, "a wrong password\n");
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(!device.home().join("token").exists());
    assert!(device.run(&["status"]).well().out.contains("not linked"));
    assert!(!ran.err.contains("a wrong password"));
}

#[test]
fn link_address_that_is_not_safe_is_refused_before_anything_is_asked() {
    let device = Device::with_kit();
    let ran =
        device.run_with(&["link", "http://kit.example.org", "--insecure-storage", "--token-stdin"], TOKEN);
    assert_eq!(ran.code, Kind::Usage.exit_code());
    assert!(ran.err.contains("plain http"), "{}", ran.err);
}

#[test]
fn link_no_network_is_told_apart_and_nothing_is_lost() {
    let device = Device::with_kit();
    // A port that was free a moment ago: nobody answers there.
    let url = format!("http://{}", TcpListener::bind("127.0.0.1:0").unwrap().local_addr().unwrap());
    let ran = device.run_with(&["link", &url, "--insecure-storage", "--token-stdin"], TOKEN);
    assert_eq!(ran.code, Kind::Unreachable.exit_code());
    assert!(ran.err.contains("nothing is lost"), "{}", ran.err);
    assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 3);
    assert_eq!(device.run(&["sync"]).code, Kind::Refused.exit_code());
}

#[test]
fn sync_service_gone_after_linking_is_exit_3_and_everything_stays() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    device.run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], TOKEN).well();
    drop(service);
    device.run(&["weigh", "cup", "32"]).well();
    let ran = device.run(&["sync"]);
    assert_eq!(ran.code, Kind::Unreachable.exit_code(), "{}", ran.err);
    let status = device.run(&["status"]).well().out;
    assert!(status.contains("1 change not sent yet"), "{status}");
    let unlinked = device.run(&["unlink"]).well();
    let file = unlinked.err.lines().find(|line| line.ends_with(".json")).unwrap().trim().to_owned();
    let exported = std::fs::read_to_string(&file).unwrap();
    assert!(exported.contains("\"reading_g\": 32"), "{exported}");
    assert!(!device.home().join("token").exists());
    assert_eq!(device.run(&["item", "list"]).well().out.lines().count(), 3);
}

#[test]
fn link_under_another_account_is_refused_for_the_same_replica() {
    let (device, line) = (Device::with_kit(), Line::new());
    device.store().set_setting("account_id", Some("018f0000-0000-7000-8000-0000000000bb")).unwrap();
    let service = Service::start(&line);
    let ran = device.run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], TOKEN);
    assert_eq!(ran.code, Kind::Refused.exit_code());
    assert!(ran.err.contains("another account") && !device.home().join("token").exists(), "{}", ran.err);
}
