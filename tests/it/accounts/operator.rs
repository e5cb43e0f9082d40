//! The operator's commands beside a running service, and what the service refuses to start with.

use std::fs;
use std::os::unix::fs::PermissionsExt;
use std::process::Output;
use std::time::{Duration, Instant};

use serde_json::json;
use system_tests::harness::bodies::With;
use system_tests::harness::client::Http;
use system_tests::harness::logins::{PASSWORD, Pair, try_login};
use system_tests::harness::service::Place;

const EMAIL: &str = "runner@example.org";
const NEW: &str = "five dry socks at dusk";

fn place() -> Place {
    Place::new(env!("CARGO_BIN_EXE_tarebook-under-test"))
}

fn said(output: &Output) -> String {
    format!("{}{}", String::from_utf8_lossy(&output.stdout), String::from_utf8_lossy(&output.stderr))
}

#[track_caller]
fn done(output: &Output) -> String {
    assert!(output.status.success(), "{}", said(output));
    said(output)
}

/// Waits until a token is refused: a running service remembers a good one for 5 s.
async fn refused_in_time(http: &Http) {
    let begun = Instant::now();
    while http.get("/v1/me").await.status == 200 {
        assert!(begun.elapsed() < Duration::from_secs(8), "still good");
        tokio::time::sleep(Duration::from_millis(250)).await;
    }
}

#[test]
fn accounts_are_made_listed_and_reset_beside_a_running_service() {
    let place = place();
    let service = place.serve();
    let add = ["account", "add", EMAIL, "--name", "Runner", "--password-stdin"];
    done(&place.run(&add, &format!("{PASSWORD}\n")));
    assert_eq!(place.run(&add, &format!("{PASSWORD}\n")).status.code(), Some(1), "the address is taken");
    for weak in ["short\n", "password123\n", "\n"] {
        let args = ["account", "add", "other@example.org", "--name", "Other", "--password-stdin"];
        let refused = place.run(&args, weak);
        assert_eq!(refused.status.code(), Some(1), "{weak:?}: {}", said(&refused));
    }
    // Without --password-stdin there is no way to give one.
    assert_eq!(place.run(&["account", "add", "x@example.org", "--name", "X"], "").status.code(), Some(2));
    let listed = done(&place.run(&["account", "list"], ""));
    assert!(listed.contains(&format!("{EMAIL}\tRunner\t")) && !listed.contains("argon2"), "{listed}");

    actix_web::rt::System::new().block_on(async {
        let log_in = |password: &'static str| try_login(&service.http, EMAIL, password);
        let http = service.http.with_token(&Pair::of(&log_in(PASSWORD).await.expect(201)).access);
        let made = http.post("/v1/device-tokens", &json!({"name": "laptop"})).await.expect(201);
        let laptop = service.http.with_token(made.text("token"));
        assert_eq!((http.get("/v1/me").await.status, laptop.get("/v1/me").await.status), (200, 200));

        done(&place.run(&["account", "passwd", EMAIL, "--password-stdin"], &format!("{NEW}\n")));
        refused_in_time(&http).await;
        refused_in_time(&laptop).await;
        let _ = log_in(PASSWORD).await.problem("not-authenticated");
        let http = service.http.with_token(&Pair::of(&log_in(NEW).await.expect(201)).access);
        assert_eq!(http.get("/v1/me").await.status, 200);

        done(&place.run(&["sessions", "revoke", EMAIL], ""));
        refused_in_time(&http).await;
        assert_eq!(log_in(NEW).await.status, 201, "the password stays");
    });
    for unknown in [
        ["sessions", "revoke", "nobody@example.org"].as_slice(),
        &["account", "passwd", "nobody@example.org", "--password-stdin"],
    ] {
        let refused = place.run(unknown, &format!("{NEW}\n"));
        assert_eq!(refused.status.code(), Some(1), "{}", said(&refused));
    }
    let log = service.stop();
    for secret in [PASSWORD, NEW, "tbr_", "tbd_", "eyJ"] {
        assert!(!log.contains(secret), "the log shows {secret}");
    }
}

#[test]
fn serve_with_a_key_that_others_can_read_refuses() {
    let place = place();
    fs::create_dir_all(place.data_dir()).unwrap();
    let key = place.data_dir().join("access-token.key");
    fs::write(&key, [9; 32]).unwrap();
    for mode in [0o644, 0o640, 0o604, 0o660] {
        fs::set_permissions(&key, fs::Permissions::from_mode(mode)).unwrap();
        let refused = place.run(&["serve", "--listen", "127.0.0.1:0"], "");
        assert_eq!(refused.status.code(), Some(1), "{mode:o}");
        assert!(said(&refused).contains("can be read by others; run: chmod 600"), "{}", said(&refused));
    }
}

#[test]
fn serve_with_a_key_of_another_length_refuses() {
    let place = place();
    fs::create_dir_all(place.data_dir()).unwrap();
    let key = place.data_dir().join("access-token.key");
    for length in [0, 31, 33, 64] {
        fs::write(&key, vec![9; length]).unwrap();
        fs::set_permissions(&key, fs::Permissions::from_mode(0o600)).unwrap();
        let refused = place.run(&["serve", "--listen", "127.0.0.1:0"], "");
        assert_eq!(refused.status.code(), Some(1), "{length}");
        assert!(said(&refused).contains("does not hold 32 bytes"), "{}", said(&refused));
    }
}

#[test]
fn serve_in_the_open_without_a_proxy_refuses() {
    let place = place();
    for listen in ["0.0.0.0:0", "[::]:0", "192.0.2.1:7430"] {
        let refused = place.run(&["serve", "--listen", listen], "");
        assert_eq!(refused.status.code(), Some(2), "{listen}");
        assert!(said(&refused).contains("--behind-proxy"), "{}", said(&refused));
        assert!(!place.data_dir().exists(), "nothing was begun");
    }
}

#[test]
fn serve_makes_a_key_that_nobody_else_can_read() {
    let place = place();
    let service = place.serve();
    let key = place.data_dir().join("access-token.key");
    assert_eq!(fs::metadata(&key).unwrap().permissions().mode() & 0o777, 0o600);
    let bytes = fs::read(&key).unwrap();
    assert_eq!(bytes.len(), 32);
    assert!(bytes.iter().any(|byte| *byte != bytes[0]));
    let _ = service.stop();
}
