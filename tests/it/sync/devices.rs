//! The client as it is against the service as it is: everything that one device does is on the others, once.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use client_cli::local::{Draft, State};
use client_cli::remote::address::Address;
use client_cli::remote::client::HttpClient;
use client_cli::remote::{Page, Remote, Secret};
use domain::kinds;
use domain::sync::client::{Effect, Event, Patience};
use serde_json::json;
use system_tests::harness::app::TestApp;
use system_tests::harness::tare::Tare;

/// Makes so many items on a device, in steps of a hundred.
fn make_items(device: &Tare, n: usize) {
    let mut store = device.store();
    let room = store.current_kitroom().unwrap().unwrap();
    for step in (0..n).collect::<Vec<_>>().chunks(100) {
        let drafts: Vec<Draft> = step
            .iter()
            .map(|n| {
                let body = json!({"name": format!("thing {n}"), "kind": "other", "notes": "n".repeat(200)});
                Draft::make(&kinds::item::KIND, store.new_id(), &body).unwrap()
            })
            .collect();
        store.act(room.id, &drafts).unwrap();
    }
}

#[actix_web::test]
async fn sync_many_records_come_as_a_stream_and_are_the_same_on_both_sides() {
    let app = TestApp::start().await;
    let runa = app.actor("Runa").await;
    let one = Tare::link(&app, &runa).await;
    one.does(&["kitroom", "new", "Runa"]).await;
    let sender = tokio::task::spawn_blocking(move || {
        make_items(&one, 4300);
        one
    });
    let one = sender.await.unwrap();
    one.does(&["weigh", "thing 17", "412", "--reads-to", "1"]).await;
    let sent = one.does(&["sync", "--json"]).await.json();
    assert_eq!((&sent["sent"], &sent["refused"]), (&json!(4302), &json!(0)), "{sent}");

    // The pages of the stream, as the client reads them: no more than one is held.
    let (base, token) = (app.http.base().to_owned(), runa.http.token().unwrap().to_owned());
    let kitroom = one.store().current_kitroom().unwrap().unwrap().id;
    let pages = tokio::task::spawn_blocking(move || {
        let mut client =
            HttpClient::new(Address::parse(&base).unwrap()).unwrap().with_token(Secret::new(token));
        let (mut pages, mut cursor): (Vec<Page>, Option<String>) = (Vec::new(), None);
        loop {
            let page = client.changes(kitroom, cursor.as_deref(), None).unwrap();
            cursor = Some(page.next_cursor.clone());
            let more = page.has_more;
            pages.push(page);
            if !more {
                return pages;
            }
        }
    });
    let pages: Vec<usize> = pages.await.unwrap().iter().map(|page| page.rows.len()).collect();
    assert_eq!(pages, [2000, 2000, 302]);

    let two = Tare::new();
    two.link_with(app.http.base(), runa.http.token().unwrap()).await;
    let verified = two.does(&["sync", "--verify", "--json"]).await.out;
    assert!(verified.lines().last().unwrap().contains("\"same\":true"), "{verified}");
    let list = |ran: system_tests::harness::tare::Ran| ran.out;
    assert_eq!(list(one.does(&["item", "list"]).await), list(two.does(&["item", "list"]).await));
    let report = two.does(&["doctor", "--json"]).await.json();
    assert_eq!(report["ok"], true, "{report}");
}

#[actix_web::test]
async fn sync_contradiction_is_shown_on_both_and_settled_by_one() {
    let app = TestApp::start().await;
    let (runa, cleo) = (app.actor("Runa").await, app.actor("Cleo").await);
    let one = Tare::link(&app, &runa).await;
    one.does(&["kitroom", "new", "Hill Club", "--club"]).await;
    one.does(&["item", "add", "shell jacket"]).await;
    one.does(&["sync"]).await;
    let room = one.store().current_kitroom().unwrap().unwrap().id;
    app.join(room, &cleo, "keeper").await;
    let two = Tare::link(&app, &cleo).await;

    one.does(&["item", "edit", "shell", "--size", "M"]).await;
    two.does(&["item", "edit", "shell", "--size", "L", "--maker", "maker A"]).await;
    one.does(&["sync"]).await;
    let synced = two.run(&["sync"], "").await;
    assert_eq!(synced.code, 4, "{}", synced.err);
    assert!(synced.err.contains("1 conflict waits for you"), "{}", synced.err);
    // What does not contradict is taken; what stands stands on both; both values are told.
    let shown = two.does(&["item", "show", "shell", "--json"]).await.json();
    assert_eq!((&shown["size"], &shown["maker"]), (&json!("M"), &json!("maker A")));
    assert_eq!(one.run(&["sync"], "").await.code, 4);
    let listed = one.run(&["conflict", "list"], "").await;
    for words in ["item shell jacket", "size M", "size L", "Cleo"] {
        assert!(listed.out.contains(words), "{words}: {}", listed.out);
    }

    // Settled without a line, by a third value; seen at once, and everywhere after the next sync.
    one.does(&["conflict", "settle", "1", "--value", "size=XL"]).await;
    assert_eq!(one.does(&["item", "show", "shell", "--json"]).await.json()["size"], "XL");
    one.does(&["sync"]).await;
    two.does(&["sync"]).await;
    for device in [&one, &two] {
        assert_eq!(device.does(&["item", "show", "shell", "--json"]).await.json()["size"], "XL");
        device.does(&["status"]).await;
        device.does(&["sync", "--verify"]).await;
    }
}

#[actix_web::test]
async fn sync_process_that_dies_between_outbox_and_send_sends_once() {
    let app = TestApp::start().await;
    let runa = app.actor("Runa").await;
    let one = Tare::link(&app, &runa).await;
    one.does(&["kitroom", "new", "Runa"]).await;
    one.does(&["weigh", "shell", "412", "--new", "--reads-to", "1"]).await;
    one.does(&["sync"]).await;
    one.does(&["weigh", "shell", "413"]).await;
    // The ops are marked as sent and the process is gone before the first byte, twice.
    for _ in 0..2 {
        let mut store = one.store();
        let room = store.current_kitroom().unwrap().unwrap().id;
        let mut machine = store.machine(Patience::SHORT).unwrap();
        let stepped = store.step(&mut machine, Event::Sync { kitroom: room }, None).unwrap();
        assert!(matches!(stepped.effects[..], [Effect::Push { .. }]), "{stepped:?}");
        assert_eq!(store.outbox(room, &[State::Sent]).unwrap().len(), 1);
    }
    let sent = one.does(&["sync", "--json"]).await.json();
    assert_eq!(sent["sent"], 1, "{sent}");
    assert_eq!(app.count("weighings").await, 2);
    one.does(&["sync", "--verify"]).await;
}

#[actix_web::test]
async fn sync_member_who_was_removed_keeps_unsent_work_in_a_file_and_nothing_else() {
    let app = TestApp::start().await;
    let (runa, cleo) = (app.actor("Runa").await, app.actor("Cleo").await);
    let one = Tare::link(&app, &runa).await;
    one.does(&["kitroom", "new", "Hill Club", "--club"]).await;
    one.does(&["weigh", "shell jacket", "412", "--new", "--reads-to", "1"]).await;
    one.does(&["sync"]).await;
    let room = one.store().current_kitroom().unwrap().unwrap().id;
    app.join(room, &cleo, "member").await;
    let two = Tare::link(&app, &cleo).await;
    two.does(&["weigh", "shell", "415", "--reads-to", "1"]).await;
    app.leave(room, &cleo).await;
    let ran = two.does(&["sync", "--json"]).await.json();
    let file = ran["removed"][0]["exported_to"].as_str().unwrap();
    let exported = std::fs::read_to_string(file).unwrap();
    assert!(exported.contains("\"reading_g\": 415"), "{exported}");
    assert!(two.store().kitrooms().unwrap().is_empty());
    let bytes = std::fs::read(two.home().join("replica.db")).unwrap();
    assert!(!String::from_utf8_lossy(&bytes).contains("shell jacket"));
}

#[actix_web::test]
async fn watch_brings_what_others_do_and_sends_what_is_done_here() {
    let app = TestApp::start().await;
    let runa = app.actor("Runa").await;
    let one = Tare::link(&app, &runa).await;
    one.does(&["kitroom", "new", "Runa"]).await;
    one.does(&["item", "add", "shell"]).await;
    one.does(&["sync"]).await;
    let two = Tare::link(&app, &runa).await;
    let (env, stop) = (two.env(), Arc::new(AtomicBool::new(false)));
    let stopping = Arc::clone(&stop);
    let watching = std::thread::spawn(move || {
        let mut store = client_cli::local::Store::open(&env).unwrap();
        let connect = || client_cli::commands::sync::linked(&client_cli::local::Store::open(&env)?);
        client_cli::sync::watch::watch(
            &mut store,
            &connect,
            &mut |_, round| round.as_ref().map(|_| ()).map_err(Clone::clone),
            &|| !stopping.load(Ordering::SeqCst),
        )
    });
    one.does(&["item", "edit", "shell", "--size", "M"]).await;
    one.does(&["sync"]).await;
    let until = Instant::now() + Duration::from_secs(30);
    while two.does(&["item", "show", "shell", "--json"]).await.json()["size"] != "M" {
        assert!(Instant::now() < until, "it did not come");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    // Done here in another window: it goes by itself. Another sync has to wait its turn.
    two.does(&["item", "edit", "shell", "--maker", "maker A"]).await;
    assert!(two.run(&["sync"], "").await.err.contains("another sync"));
    let size = || app.scalar::<Option<String>>("select body->>'maker' from items");
    while size().await.is_none() {
        assert!(Instant::now() < until, "it did not go");
        tokio::time::sleep(Duration::from_millis(200)).await;
    }
    stop.store(true, Ordering::SeqCst);
    tokio::task::spawn_blocking(move || watching.join().unwrap().unwrap()).await.unwrap();
}
