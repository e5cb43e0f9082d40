//! A service that was put back to a copy, with devices that had seen more: nothing is lost, and a person decides.

use std::path::Path;

use serde_json::json;
use system_tests::harness::service::Place;
use system_tests::harness::tare::Tare;

use crate::process::PROGRAM;

const PASSWORD: &str = "a long enough password";

async fn link(device: &Tare, url: &str) {
    let args =
        ["link", url, "--insecure-storage", "--email", "runa@example.org", "--password-stdin", "--join"];
    device.run(&args, PASSWORD).await.well();
}

fn run(place: &Place, args: &[&str], input: &str) {
    let output = place.run(args, input);
    assert!(output.status.success(), "{}", String::from_utf8_lossy(&output.stderr));
}

fn text(path: &Path) -> &str {
    path.to_str().unwrap()
}

#[actix_web::test]
async fn sync_after_a_restore_offers_what_was_lost_and_sends_what_is_said() {
    let place = Place::new(PROGRAM);
    let service = place.serve();
    run(&place, &["account", "add", "runa@example.org", "--name", "Runa", "--password-stdin"], PASSWORD);
    let (one, two) = (Tare::new(), Tare::new());
    link(&one, service.http.base()).await;
    one.does(&["kitroom", "new", "Runa"]).await;
    for (name, reading) in [("shell jacket", "412"), ("gloves", "86")] {
        one.does(&["weigh", name, reading, "--new", "--reads-to", "1"]).await;
    }
    one.does(&["sync"]).await;
    link(&two, service.http.base()).await;
    let file = place.data_dir().join("one.backup");
    run(&place, &["backup", text(&file)], "");

    // What was done after the copy and acknowledged, on one device and seen by the other.
    one.does(&["weigh", "map", "12", "--new", "--reads-to", "1"]).await;
    one.does(&["item", "edit", "shell", "--size", "M"]).await;
    one.does(&["sync"]).await;
    two.does(&["sync"]).await;
    // And what no service has seen.
    two.does(&["item", "edit", "gloves", "--size", "9"]).await;
    let _ = service.stop();
    run(&place, &["restore", text(&file), "--replace"], "");
    let service = place.serve();
    for device in [&one, &two] {
        device.store().set_setting("service", Some(service.http.base())).unwrap();
    }

    // The one that kept nothing back: what may be lost waits for its person.
    let ran = one.run(&["sync", "--json"], "").await;
    assert_eq!(ran.code, 4, "{}", ran.err);
    assert_eq!(ran.json()["restored"], json!([{"kitroom": "Runa", "lost": 3}]));
    assert_eq!(one.does(&["item", "list"]).await.out.lines().count(), 2);
    one.does(&["conflict", "settle", "--all-lost", "b"]).await;
    one.does(&["sync"]).await;
    // The other one finds most of it there again by then, and sends its own change.
    let ran = two.run(&["sync", "--json"], "").await.json();
    assert_eq!((&ran["sent"], &ran["refused"]), (&json!(1), &json!(0)), "{ran}");
    two.run(&["conflict", "settle", "--all-lost", "b"], "").await;
    two.does(&["sync"]).await;
    one.does(&["sync"]).await;
    for device in [&one, &two] {
        let list = device.does(&["item", "list"]).await.out;
        assert_eq!(list.lines().count(), 3, "{list}");
        assert_eq!(device.does(&["item", "show", "shell", "--json"]).await.json()["size"], "M");
        assert_eq!(device.does(&["item", "show", "gloves", "--json"]).await.json()["size"], "9");
        device.does(&["status"]).await;
        device.does(&["sync", "--verify"]).await;
    }
    let _ = service.stop();
}
