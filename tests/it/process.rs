//! The service as a process: killed in the middle of its work, started twice, fed a bomb, stopped.

use std::io::Write as _;
use std::sync::Arc;
use std::sync::atomic::{AtomicBool, AtomicUsize, Ordering};
use std::time::Duration;

use serde_json::{Value, json};
use system_tests::harness::actors::Actor;
use system_tests::harness::bodies::{With, item, new_id, weighing};
use system_tests::harness::client::{Http, Method};
use system_tests::harness::device::{Device, digest_of};
use system_tests::harness::service::{Place, Service};
use uuid::Uuid;

use crate::envelope::bomb;

pub const PROGRAM: &str = env!("CARGO_BIN_EXE_tarebook-under-test");
pub const PASSWORD: &str = "up the long hill";

/// Makes an account; answers the exit code and what was said.
pub fn add_account(place: &Place, email: &str, password: &str) -> (Option<i32>, String) {
    let arguments = ["account", "add", email, "--name", "Ada", "--password-stdin"];
    let output = place.run(&arguments, &format!("{password}\n"));
    (output.status.code(), String::from_utf8_lossy(&output.stderr).into_owned())
}

/// Logs in and makes a device token, as a client does when it is linked.
pub async fn link(http: &Http, email: &str) -> Actor {
    let login = json!({"email": email, "password": PASSWORD});
    let session = http.post("/v1/sessions", &login).await.expect(201);
    let session = http.with_token(session.text("access_token"));
    let token = session.post("/v1/device-tokens", &json!({"name": "laptop"})).await.expect(201);
    let device = http.with_token(token.text("token"));
    let account = device.get("/v1/me").await.expect(200).id();
    Actor { account, email: email.to_owned(), http: device }
}

/// What a device knows of its own work after the service was killed.
struct Sent {
    device: Device,
    acknowledged: Vec<(Uuid, i64)>,
    unanswered: Vec<Value>,
}

/// Pushes until the service is gone.
async fn push_until_killed(
    mut device: Device,
    shell: Uuid,
    pushes: Arc<AtomicUsize>,
    gone: Arc<AtomicBool>,
) -> Sent {
    let mut acknowledged = Vec::new();
    loop {
        let ops: Vec<Value> = (0..20)
            .map(|n| device.op("append", "weighing", new_id(), 0, weighing(shell, 400.0 + f64::from(n))))
            .collect();
        let call = device.pushing(&ops);
        let answer = tokio::spawn(call.send()).await;
        match answer {
            Ok(reply) => {
                let results = system_tests::harness::device::results_of(&reply, &ops);
                let ids = ops.iter().map(|op| Uuid::parse_str(op.text("record_id")).unwrap());
                acknowledged.extend(ids.zip(results.iter().map(|result| result["seq"].as_i64().unwrap())));
                pushes.fetch_add(1, Ordering::SeqCst);
            }
            // The call ends without an answer only because the service is gone.
            Err(_) => {
                assert!(gone.load(Ordering::SeqCst), "no answer from a living service");
                return Sent { device, acknowledged, unanswered: ops };
            }
        }
    }
}

async fn kill_while_pushing(service: &mut Service, actor: &Actor, kitroom: Uuid, shell: Uuid) -> Vec<Sent> {
    let (pushes, gone) = (Arc::new(AtomicUsize::new(0)), Arc::new(AtomicBool::new(false)));
    let device = || Device::new(actor, kitroom);
    let writers: Vec<_> = (0..3)
        .map(|_| tokio::spawn(push_until_killed(device(), shell, Arc::clone(&pushes), Arc::clone(&gone))))
        .collect();
    while pushes.load(Ordering::SeqCst) < 12 {
        tokio::time::sleep(Duration::from_millis(1)).await;
    }
    gone.store(true, Ordering::SeqCst);
    service.kill();
    let mut sent = Vec::new();
    for writer in writers {
        sent.push(writer.await.unwrap());
    }
    sent
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn serve_killed_in_the_middle_of_pushes_keeps_what_it_acknowledged_and_doubles_nothing() {
    let place = Place::new(PROGRAM);
    let mut service = place.serve();
    // Beside the running service.
    let (code, said) = add_account(&place, "Ada@Example.org", PASSWORD);
    assert_eq!((code, said.as_str()), (Some(0), "account ada@example.org made; log in with tare link\n"));
    let mut actor = link(&service.http, "ada@example.org").await;
    let token = actor.http.token().unwrap().to_owned();
    let made =
        actor.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "personal"})).await.expect(201);
    let kitroom = made.id();
    let shell = new_id();
    let body = item("blue shell").with("id", shell.to_string());
    let _ = actor.post(&format!("/v1/kitrooms/{kitroom}/items"), &body).await.expect(201);
    let mut wanted = 0;
    for _ in 0..2 {
        let sent = kill_while_pushing(&mut service, &actor, kitroom, shell).await;
        service = place.serve();
        actor.http = service.http.with_token(&token);
        let reader = Device::new(&actor, kitroom);
        let stored = |changes: &[domain::wire::sync::Change]| {
            changes.iter().map(|change| (change.id, change.seq)).collect::<std::collections::BTreeMap<_, _>>()
        };
        let after_start = stored(&reader.pull(2000).await.0);
        for sent in &sent {
            for (id, seq) in &sent.acknowledged {
                assert_eq!(after_start.get(id), Some(seq), "an acknowledged weighing is missing");
            }
        }
        for sent in sent {
            // The retry: what was stored without an answer is told as such, the rest is taken now.
            let device = sent.device.at(&actor);
            let results = device.push(&sent.unanswered).await;
            for (op, result) in sent.unanswered.iter().zip(&results) {
                let id = Uuid::parse_str(op.text("record_id")).unwrap();
                assert_eq!(result["status"], "applied", "{result}");
                assert_eq!(result.get("replayed").is_some(), after_start.contains_key(&id), "{result}");
            }
            // A push stands in one transaction: all of it, or nothing.
            let replayed = results.iter().filter(|result| result.get("replayed").is_some()).count();
            assert!(
                replayed == 0 || replayed == results.len(),
                "{replayed} of {} were stored",
                results.len()
            );
            wanted += sent.acknowledged.len() + sent.unanswered.len();
        }
        let (changes, _) = reader.pull(2000).await;
        assert_eq!(changes.len(), wanted + 1, "a retry added something twice");
        assert_eq!(reader.digest().await.kinds, digest_of(&changes));
        assert_eq!(changes.last().unwrap().seq as usize, changes.len(), "a number is missing");
    }
    let _ = service.stop();
}

#[tokio::test]
async fn serve_beside_another_on_the_same_folder_is_refused_in_one_line() {
    let place = Place::new(PROGRAM);
    let service = place.serve();
    let output = place.run(&["serve", "--listen", "127.0.0.1:0"], "");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!(output.status.code(), Some(1), "{said}");
    assert_eq!(said.lines().count(), 1, "{said}");
    assert!(said.starts_with("tarebook: ") && said.contains("in use"), "{said}");
    assert!(said.contains(place.data_dir().to_str().unwrap()), "{said}");
    // The first was not disturbed, and the same address twice is one line as well.
    let _ = service.http.get("/readyz").await.expect(200);
    let taken = service.http.base().trim_start_matches("http://").to_owned();
    let other = Place::new(PROGRAM);
    let output = other.run(&["serve", "--listen", &taken], "");
    let said = String::from_utf8_lossy(&output.stderr).into_owned();
    assert_eq!((output.status.code(), said.lines().count()), (Some(1), 1), "{said}");
    assert!(said.contains(&taken) && said.contains("--listen"), "{said}");
    // Accounts beside the running service.
    assert_eq!(add_account(&place, "ada@example.org", PASSWORD).0, Some(0));
    for (email, password, word) in [
        ("ADA@example.org", PASSWORD, "already"),
        ("bo@example.org", "short", "bytes"),
        ("bo", PASSWORD, "e-mail"),
    ] {
        let (code, said) = add_account(&place, email, password);
        assert_eq!((code, said.lines().count()), (Some(1), 1), "{said}");
        assert!(said.contains(word) && !said.contains(PASSWORD), "{said}");
    }
    let said = service.stop();
    assert!(!said.contains(PASSWORD), "a password is in the log");
}

#[tokio::test]
async fn push_of_gigabyte_bombs_is_refused_without_room_for_them() {
    let place = Place::new(PROGRAM);
    let service = place.serve();
    assert_eq!(add_account(&place, "ada@example.org", PASSWORD).0, Some(0));
    let actor = link(&service.http, "ada@example.org").await;
    let kitroom =
        actor.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "personal"})).await.expect(201).id();
    let bomb = bomb();
    let before = service.peak_memory();
    let send = |path: &str| {
        let call = actor.call(Method::POST, &format!("/v1/kitrooms/{kitroom}/{path}"));
        call.header("Content-Type", "application/json")
            .header("Content-Encoding", "gzip")
            .body(bomb.clone())
            .send()
    };
    let calls: Vec<_> =
        (0..8).map(|n| tokio::spawn(send(if n % 2 == 0 { "ops" } else { "items" }))).collect();
    for call in calls {
        let _ = call.await.unwrap().problem("payload-too-large");
    }
    let grown = service.peak_memory() - before;
    // Eight times what a push may be, sent and decoded, and some room for the allocator; not eight gigabytes.
    assert!(grown < 48 * 1024 * 1024, "{} MiB more", grown / (1024 * 1024));
    let _ = service.http.get("/readyz").await.expect(200);
    let _ = service.stop();
}

#[tokio::test]
async fn serve_asked_to_stop_answers_those_who_wait_at_once() {
    let place = Place::new(PROGRAM);
    let service = place.serve();
    assert_eq!(add_account(&place, "ada@example.org", PASSWORD).0, Some(0));
    let actor = link(&service.http, "ada@example.org").await;
    let kitroom =
        actor.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "personal"})).await.expect(201).id();
    let device = Device::new(&actor, kitroom);
    let cursor = device.pull(10).await.1;
    let ask =
        || tokio::spawn(device.asking_with(Some(&cursor), "wait_s=55").header("Connection", "close").send());
    let waiting: Vec<_> = (0..5).map(|_| ask()).collect();
    tokio::time::sleep(Duration::from_millis(500)).await;
    let begun = std::time::Instant::now();
    let stopping = tokio::task::spawn_blocking(move || service.stop());
    for one in waiting {
        let page = one.await.unwrap().expect(200);
        assert_eq!((&page["changes"], &page["has_more"]), (&json!([]), &json!(false)));
        assert!(begun.elapsed() < Duration::from_secs(4), "{:?}", begun.elapsed());
    }
    let _ = stopping.await.unwrap();
}

#[tokio::test]
async fn list_changes_of_a_large_kitroom_as_lines_takes_the_memory_of_a_page() {
    let place = Place::new(PROGRAM);
    let service = place.serve();
    assert_eq!(add_account(&place, "ada@example.org", PASSWORD).0, Some(0));
    let actor = link(&service.http, "ada@example.org").await;
    let kitroom =
        actor.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "personal"})).await.expect(201).id();
    let socket = place.data_dir().join("postgres/run");
    let url = format!("postgresql:///tarebook?host={}&user=tarebook", socket.display());
    let (client, connection) = tokio_postgres::connect(&url, tokio_postgres::NoTls).await.unwrap();
    tokio::spawn(connection);
    // 40,000 records of 2 kB each: 80 MB, which a service that gathers them would have to hold.
    let id = "('019d5a00-0000-7000-8000-' || lpad(to_hex(n), 12, '0'))::uuid";
    let fill = format!(
        "insert into items (kitroom_id, id, version, units, created_by, recorded_at, deleted, time_suspect, body) \
         select '{kitroom}', {id}, n, '{{\"\": {{\"s\": 1}}}}', '{}', now(), false, false, \
         jsonb_build_object('name', 'x', 'kind', 'other', 'notes', repeat(md5(n::text), 62)) from generate_series(1, 40000) n; \
         insert into sync_index (kitroom_id, kind, record_id, seq, deleted, row_hash) \
         select '{kitroom}', 'item', {id}, n, false, 0 from generate_series(1, 40000) n; \
         insert into commits (kitroom_id, last_seq, mark, committed_at) \
         values ('{kitroom}', 40000, decode('000102030405060708090a0b0c0d0e0f', 'hex'), now()); \
         update kitrooms set head_seq = 40000 where id = '{kitroom}'",
        actor.account
    );
    client.batch_execute(&fill).await.unwrap();
    let device = Device::new(&actor, kitroom);
    let _ = device.page(None, 500).await;
    let before = service.peak_memory();
    for encoding in ["identity", "gzip"] {
        let begun = std::time::Instant::now();
        let body = device.streaming(None).header("Accept-Encoding", encoding).send().await.body;
        assert!(encoding == "gzip" || body.len() > 80_000_000, "{} bytes", body.len());
        let rate = 40_000.0 / begun.elapsed().as_secs_f64();
        drop(writeln!(std::io::stderr(), "{encoding}: {rate:.0} records of 2 kB a second, in this build"));
    }
    let grown = service.peak_memory() - before;
    assert!(grown < 24 * 1024 * 1024, "{} MiB more", grown / (1024 * 1024));
    let _ = service.stop();
}
