//! Copies of the whole database, what comes back from them, and new epochs.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::path::{Path, PathBuf};
use std::process::Output;
use std::time::Duration;

use api::features::copies::store::{Held, find_held, server_major};
use api::platform::dump::{self, Address};
use api::platform::embedded_pg::Clients;
use diesel_async::{AsyncConnection, AsyncPgConnection};
use serde_json::{Value, json};
use system_tests::harness::actors::Actor;
use system_tests::harness::app::TestApp;
use system_tests::harness::bodies::{With, item, new_id};
use system_tests::harness::db::TestDb;
use system_tests::harness::device::{Device, digest_of, statuses};
use system_tests::harness::service::{Place, Service};
use uuid::Uuid;

use crate::process::{PASSWORD, PROGRAM, add_account, link};

fn said(output: &Output) -> String {
    String::from_utf8_lossy(&output.stderr).into_owned()
}

#[track_caller]
fn done(output: &Output) -> String {
    assert!(output.status.success(), "{}", said(output));
    said(output)
}

/// Refused in one line that names what is wrong.
#[track_caller]
fn refused(output: &Output, words: &str) -> String {
    let said = said(output);
    assert_eq!((output.status.code(), said.lines().count()), (Some(1), 1), "{said}");
    assert!(said.starts_with("tarebook: ") && said.contains(words), "{said}");
    said
}

struct Scene {
    place: Place,
    service: Service,
    actor: Actor,
    kitroom: Uuid,
    device: Device,
}

impl Scene {
    /// A service with an account, a kitroom and three items.
    async fn new() -> Self {
        let place = Place::new(PROGRAM);
        let service = place.serve();
        assert_eq!(add_account(&place, "ada@example.org", PASSWORD).0, Some(0));
        let actor = link(&service.http, "ada@example.org").await;
        let made =
            actor.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "personal"})).await.expect(201);
        let kitroom = made.id();
        let mut device = Device::new(&actor, kitroom);
        let ops: Vec<Value> = (0..3).map(|n| device.create_item(new_id(), &format!("item {n}"))).collect();
        assert_eq!(statuses(&device.push(&ops).await), vec!["applied"; 3]);
        Self { place, service, actor, kitroom, device }
    }

    /// Starts the service again; the token is that of before.
    fn again(mut self) -> Self {
        let token = self.actor.http.token().unwrap().to_owned();
        let _ = self.service.stop();
        self.service = self.place.serve();
        self.actor.http = self.service.http.with_token(&token);
        self.device = self.device.at(&self.actor);
        self
    }

    async fn names(&self) -> Vec<String> {
        let (changes, _) = self.device.pull(100).await;
        assert_eq!(self.device.digest().await.kinds, digest_of(&changes));
        let names =
            changes.iter().map(|change| change.record.as_ref().unwrap()["name"].as_str().unwrap().to_owned());
        names.collect()
    }

    fn file(&self, name: &str) -> PathBuf {
        self.place.data_dir().join(name)
    }
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[tokio::test]
async fn restore_of_an_older_copy_is_noticed_by_every_device_and_loses_nothing() {
    let mut scene = Scene::new().await;
    let file = scene.file("one.backup");
    let words = done(&scene.place.run(&["backup", text(&file)], ""));
    assert!(words.contains("1 account, 1 kitroom, 3 records"), "{words}");
    assert_eq!(fs::metadata(&file).unwrap().permissions().mode() & 0o777, 0o600);
    refused(&scene.place.run(&["backup", text(&file)], ""), "is there already");
    let early = scene.device.pull(100).await.1;

    // What was made after the copy, and acknowledged.
    let later = [scene.device.create_item(new_id(), "late 1"), scene.device.create_item(new_id(), "late 2")];
    let ack = scene.device.pushing(&later).send().await.expect(200).text("ack").to_owned();
    let cursor = scene.device.pull(100).await.1;

    refused(&scene.place.run(&["restore", text(&file), "--replace"], ""), "in use");
    let Scene { place, service, mut actor, kitroom, mut device } = scene;
    let token = actor.http.token().unwrap().to_owned();
    let _ = service.stop();
    let words = refused(&place.run(&["restore", text(&file)], ""), "--replace");
    assert!(words.contains("1 account, 1 kitroom"), "{words}");
    let words = done(&place.run(&["restore", text(&file), "--replace"], ""));
    for part in ["3 records", "before-restore-", "new epoch", "tare sync", "sessions revoke"] {
        assert!(words.contains(part), "{part}: {words}");
    }

    let service = place.serve();
    actor.http = service.http.with_token(&token);
    device = device.at(&actor);
    let scene = Scene { place, service, actor, kitroom, device };
    assert_eq!(scene.names().await, ["item 0", "item 1", "item 2"]);
    // A device that had seen more, and one that had not, both have to read anew: they know that others may have.
    for lost in [&cursor, &early] {
        let _ = scene.device.asking(Some(lost), 10).send().await.problem("epoch-changed");
    }
    let _ = scene.device.asking_with(None, &format!("ack={ack}")).send().await.problem("epoch-changed");
    let body =
        json!({"replica_id": scene.device.replica, "schema_version": 1, "ops": later, "cursor": cursor});
    let reply = scene.actor.post(&format!("/v1/kitrooms/{kitroom}/ops"), &body).await;
    let _ = reply.problem("epoch-changed");
    // After a person has said yes, what was lost is sent again as it was.
    assert_eq!(statuses(&scene.device.push(&later).await), ["applied", "applied"]);
    assert_eq!(scene.names().await, ["item 0", "item 1", "item 2", "late 1", "late 2"]);

    // What the restore replaced is in a file of its own, which can be brought back as any other.
    let kept = fs::read_dir(scene.place.data_dir()).unwrap().map(|entry| entry.unwrap().path());
    let kept: Vec<PathBuf> = kept.filter(|path| text(path).contains("before-restore-")).collect();
    assert_eq!(kept.len(), 1);
    let other = Place::new(PROGRAM);
    let words = done(&other.run(&["restore", text(&kept[0])], ""));
    assert!(words.contains("5 records"), "{words}");
    let service = other.serve();
    let there = Device::new(&link(&service.http, "ada@example.org").await, kitroom);
    assert_eq!(there.pull(100).await.0.len(), 5);
    let _ = service.stop();
}

#[tokio::test]
async fn restore_of_what_is_no_copy_or_a_damaged_one_changes_nothing() {
    let scene = Scene::new().await;
    let file = scene.file("good.backup");
    done(&scene.place.run(&["backup", text(&file)], ""));
    let scene = {
        let scene = scene.again();
        let good = fs::read(&file).unwrap();
        let bad = scene.file("bad.backup");
        let other = Place::new(PROGRAM);
        let mut tries: Vec<(Vec<u8>, &str)> = vec![
            (Vec::new(), "no backup"),
            (b"hello".to_vec(), "no backup"),
            (b"PGDMP".to_vec(), "cannot be read"),
            (good[..good.len() / 2].to_vec(), "cannot be read"),
            (good[..good.len() - 20].to_vec(), "cannot be read"),
        ];
        let mut damaged = good.clone();
        // In the middle of the packed rows.
        let at = good.len() - 60;
        damaged[at..at + 8].copy_from_slice(&[0xff; 8]);
        tries.push((damaged, "cannot be read"));
        for (bytes, words) in tries {
            fs::write(&bad, bytes).unwrap();
            refused(&other.run(&["restore", text(&bad)], ""), words);
        }
        refused(&other.run(&["restore", "/nowhere/x.backup"], ""), "/nowhere/x.backup");
        // After all that there is still nothing, and the good one is taken.
        refused(&other.run(&["backup", text(&scene.file("empty.backup"))], ""), "nothing to back up");
        done(&other.run(&["restore", text(&file)], ""));
        scene
    };
    assert_eq!(scene.names().await.len(), 3);
    assert!(!scene.file("empty.backup").exists());
    let leftovers = fs::read_dir(scene.place.data_dir()).unwrap();
    assert!(leftovers.flatten().all(|entry| !entry.file_name().to_string_lossy().ends_with(".part")));
    let _ = scene.service.stop();
}

#[tokio::test]
async fn epoch_new_beside_the_service_makes_every_device_read_anew() {
    let scene = Scene::new().await;
    let cursor = scene.device.pull(100).await.1;
    let waiting = tokio::spawn(scene.device.asking_with(Some(&cursor), "wait_s=40").send());
    tokio::time::sleep(Duration::from_millis(500)).await;
    let words = done(&scene.place.run(&["epoch", "new", "my kit"], ""));
    assert!(words.contains(&scene.kitroom.to_string()) && words.contains("new epoch"), "{words}");
    let told = tokio::time::timeout(Duration::from_secs(5), waiting).await.expect("told in time");
    let _ = told.unwrap().problem("epoch-changed");
    let _ = scene.device.asking(Some(&cursor), 10).send().await.problem("epoch-changed");
    assert_eq!(scene.names().await.len(), 3);
    // What was read under the epoch before is not changed on the strength of it.
    let sync = scene.actor.get("/v1/sync").await.expect(200);
    let first = sync["kitrooms"][0].text("epoch").to_owned();
    done(&scene.place.run(&["epoch", "new", &scene.kitroom.to_string()], ""));
    let sync = scene.actor.get("/v1/sync").await.expect(200);
    assert_ne!(sync["kitrooms"][0].text("epoch"), first);
    // Names that fit none, or several.
    refused(&scene.place.run(&["epoch", "new", "your kit"], ""), "there is no kitroom your kit");
    refused(&scene.place.run(&["epoch", "new", &new_id().to_string()], ""), "there is no kitroom");
    let _ = scene.actor.post("/v1/kitrooms", &json!({"name": "my kit", "purpose": "club"})).await.expect(201);
    let words = refused(&scene.place.run(&["epoch", "new", "my kit"], ""), "2 kitrooms");
    assert!(words.contains(&scene.kitroom.to_string()), "{words}");
    let _ = scene.service.stop();
}

/// The programs that fit the server of a database.
async fn clients_for(database: &TestDb) -> Clients {
    let mut conn = AsyncPgConnection::establish(database.url()).await.unwrap();
    Clients::for_server(server_major(&mut conn).await.unwrap()).unwrap()
}

/// Runs a command on a given database.
fn on(place: &Place, database: &TestDb, arguments: &[&str]) -> Output {
    place.run(&[arguments, &["--database-url", database.url()]].concat(), "")
}

#[tokio::test]
async fn backup_and_restore_work_on_a_given_database_that_nobody_else_uses() {
    let app = TestApp::start().await;
    let kit = app.kitroom().await;
    let _ = kit.keeper.post(&kit.path("items"), &item("blue shell")).await.expect(201);
    let place = Place::new(PROGRAM);
    fs::create_dir_all(place.data_dir()).unwrap();
    let file = place.data_dir().join("given.backup");
    let words = done(&on(&place, app.database(), &["backup", text(&file)]));
    assert!(words.contains("6 accounts, 1 kitroom, 1 record"), "{words}");
    // The service still runs on it.
    refused(&on(&place, app.database(), &["restore", text(&file), "--replace"]), "other sessions");
    let empty = TestDb::empty();
    done(&on(&place, &empty, &["restore", text(&file)]));
    let mut conn = AsyncPgConnection::establish(empty.url()).await.unwrap();
    let Held::Ours { accounts, kitrooms, records, last_change } = find_held(&mut conn).await.unwrap() else {
        panic!("nothing was restored")
    };
    assert_eq!((accounts, kitrooms, records), (6, 1, 1));
    assert!(last_change.is_some());
    drop(conn);
    // The epoch is new, and an id as any other.
    let look = || async {
        let (client, connection) = tokio_postgres::connect(empty.url(), tokio_postgres::NoTls).await.unwrap();
        let task = tokio::spawn(connection);
        let epoch: Uuid = client.query_one("select epoch from kitrooms", &[]).await.unwrap().get(0);
        drop(client);
        task.await.unwrap().unwrap();
        epoch
    };
    let (there, here) = (look().await, app.scalar::<Uuid>("select epoch from kitrooms").await);
    assert_ne!(there, here);
    system_tests::harness::redact::assert_id(&there.to_string());
    let (made, now) = (there.get_timestamp().unwrap().to_unix().0, app.clock.now().timestamp());
    assert!(now.abs_diff(made.try_into().unwrap()) < 120, "made at {made}, now {now}");

    // Tables of something else are nobody's to drop, whatever is said.
    let other = TestDb::empty();
    let (client, connection) = tokio_postgres::connect(other.url(), tokio_postgres::NoTls).await.unwrap();
    let task = tokio::spawn(connection);
    client.batch_execute("create table ledger (id int)").await.unwrap();
    drop(client);
    task.await.unwrap().unwrap();
    refused(&on(&place, &other, &["restore", text(&file), "--replace"]), "ledger");
    refused(&on(&place, &other, &["backup", text(&place.data_dir().join("x"))]), "nothing to back up");

    // A failure at the very end undoes all of it.
    let address = Address::of(empty.url()).unwrap();
    let clients = clients_for(&empty).await;
    let failure = dump::bring_back(&clients, &address, &file, "select 1 / 0;").unwrap_err();
    assert!(failure.contains("nothing was changed") && failure.contains("division by zero"), "{failure}");
    assert_eq!(look().await, there);
    // So does a copy that breaks off on the way.
    let cut = place.data_dir().join("cut.backup");
    let whole = fs::read(&file).unwrap();
    fs::write(&cut, &whole[..whole.len() / 2]).unwrap();
    dump::bring_back(&clients, &address, &cut, "").unwrap_err();
    assert_eq!(look().await, there);
}

#[tokio::test]
async fn restore_of_a_copy_from_a_newer_program_is_refused_with_the_step_that_is_not_known() {
    let app = TestApp::start().await;
    app.execute("insert into __diesel_schema_migrations (version) values ('20990101000000')").await;
    let place = Place::new(PROGRAM);
    fs::create_dir_all(place.data_dir()).unwrap();
    let file = place.data_dir().join("newer.backup");
    let clients = clients_for(app.database()).await;
    dump::write(&clients, &Address::of(app.database().url()).unwrap(), &file).unwrap();
    let copy = dump::check(&clients, &file).unwrap();
    assert!(copy.migrations.contains(&"20990101000000".to_owned()), "{copy:?}");
    let empty = TestDb::empty();
    refused(&on(&place, &empty, &["restore", text(&file)]), "20990101000000");
    // Nor is a newer database replaced by an older copy.
    let other = TestApp::start().await;
    let older = place.data_dir().join("older.backup");
    dump::write(&clients, &Address::of(other.database().url()).unwrap(), &older).unwrap();
    let newer = TestDb::empty();
    dump::bring_back(&clients, &Address::of(newer.url()).unwrap(), &file, "").unwrap();
    refused(&on(&place, &newer, &["restore", text(&older), "--replace"]), "newer tarebook");
}
