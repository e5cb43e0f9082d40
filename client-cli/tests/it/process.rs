//! The real program as a process: its files, its environment, and being killed.

use std::io::{Read, Write};
use std::net::TcpListener;
use std::process::{Command, Stdio};

use assert_cmd::cargo::CommandCargoExt;

use crate::devices::Device;
use crate::linking::{Service, TOKEN};
use crate::model::Line;

fn tare(device: &Device) -> Command {
    let mut command = Command::cargo_bin("tare").unwrap();
    command.env_clear().env("TARE_HOME", device.home());
    command
}

#[cfg(unix)]
#[test]
fn process_files_are_for_their_owner_alone() {
    use std::os::unix::fs::PermissionsExt;
    let device = Device::new();
    let made = tare(&device).args(["kitroom", "new", "Runner A"]).output().unwrap();
    assert!(made.status.success(), "{made:?}");
    let mode = |path: &std::path::Path| std::fs::metadata(path).unwrap().permissions().mode() & 0o777;
    assert_eq!(mode(&device.home()), 0o700);
    for entry in std::fs::read_dir(device.home()).unwrap() {
        let path = entry.unwrap().path();
        assert_eq!(mode(&path), 0o600, "{}", path.display());
    }
}

#[test]
fn process_without_a_keyring_fails_closed_and_names_the_flag() {
    let device = Device::new();
    let ran = tare(&device)
        .env("DBUS_SESSION_BUS_ADDRESS", "unix:path=/nonexistent/bus")
        .args(["link", "http://127.0.0.1:9", "--token-stdin"])
        .stdin(Stdio::null())
        .output()
        .unwrap();
    let words = String::from_utf8(ran.stderr).unwrap();
    assert_eq!(ran.status.code(), Some(1), "{words}");
    assert!(words.contains("--insecure-storage") && words.contains("nothing was stored"), "{words}");
    assert!(!device.home().join("token").exists());
}

#[test]
fn process_killed_while_it_waits_for_the_answer_loses_nothing_and_repeats_nothing() {
    let (device, line) = (Device::with_kit(), Line::new());
    let service = Service::start(&line);
    device.run_with(&["link", &service.url, "--insecure-storage", "--token-stdin"], TOKEN).well();
    device.run(&["weigh", "cup", "32"]).well();
    let room = device.room().id;
    let before = line.model().records(room).len();

    // A line that hands requests on and, once a push has been done, keeps its answer back.
    let silent = TcpListener::bind("127.0.0.1:0").unwrap();
    let through = format!("http://{}", silent.local_addr().unwrap());
    let target = service.url.trim_start_matches("http://").to_owned();
    let (pushed, done) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        for stream in silent.incoming() {
            let (Ok(mut client), Ok(mut server)) = (stream, std::net::TcpStream::connect(&target)) else {
                return;
            };
            let (mut from, mut to) = (client.try_clone().unwrap(), server.try_clone().unwrap());
            let pushed = pushed.clone();
            let pushing = std::sync::Arc::new(std::sync::atomic::AtomicBool::new(false));
            let seen = std::sync::Arc::clone(&pushing);
            std::thread::spawn(move || {
                let mut buffer = [0; 65536];
                while let Ok(n @ 1..) = from.read(&mut buffer) {
                    if String::from_utf8_lossy(&buffer[..n]).contains("/ops ") {
                        seen.store(true, std::sync::atomic::Ordering::SeqCst);
                    }
                    let _ = to.write_all(&buffer[..n]);
                }
            });
            std::thread::spawn(move || {
                let mut buffer = [0; 65536];
                while let Ok(n @ 1..) = server.read(&mut buffer) {
                    if pushing.load(std::sync::atomic::Ordering::SeqCst) {
                        let _ = pushed.send(());
                        continue;
                    }
                    let _ = client.write_all(&buffer[..n]);
                }
            });
        }
    });
    device.store().set_setting("service", Some(&through)).unwrap();
    let mut child = tare(&device).arg("sync").stdout(Stdio::null()).stderr(Stdio::null()).spawn().unwrap();
    done.recv_timeout(std::time::Duration::from_secs(20)).unwrap();
    child.kill().unwrap();
    child.wait().unwrap();
    assert_eq!(line.model().records(room).len(), before + 1);
    assert_eq!(device.store().outbox_counts(room).unwrap().pending, 1);

    device.store().set_setting("service", Some(&service.url)).unwrap();
    let ran = tare(&device).arg("sync").output().unwrap();
    assert!(ran.status.success(), "{ran:?}");
    assert_eq!(line.model().records(room).len(), before + 1);
    assert_eq!(device.store().outbox_counts(room).unwrap().pending, 0);
}

#[test]
fn process_killed_at_the_scale_keeps_what_was_confirmed() {
    let device = Device::with_kit();
    let mut child = tare(&device)
        .arg("weigh")
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    let mut keyboard = child.stdin.take().unwrap();
    keyboard.write_all(b"33\ncup\n90\n").unwrap();
    let mut screen = child.stderr.take().unwrap();
    let mut seen = String::new();
    let mut buffer = [0; 4096];
    while !seen.contains("90 g") {
        let n = screen.read(&mut buffer).unwrap();
        assert!(n > 0, "{seen}");
        seen.push_str(&String::from_utf8_lossy(&buffer[..n]));
    }
    child.kill().unwrap();
    child.wait().unwrap();
    let cup = device.run(&["item", "show", "cup", "--json"]).well().json();
    assert_eq!(cup["weighings"].as_array().unwrap().len(), 2);
    let report = device.run(&["doctor", "--json"]).well().json();
    assert_eq!(report["ok"], true, "{report}");
}

#[test]
fn process_reader_that_goes_away_is_no_error() {
    let device = Device::with_kit();
    let mut child = tare(&device).args(["item", "list"]).stdout(Stdio::piped()).spawn().unwrap();
    drop(child.stdout.take());
    assert!(child.wait().unwrap().success());
}

#[test]
fn process_replica_of_a_later_version_is_left_alone() {
    let device = Device::with_kit();
    let path = client_cli::local::Store::file(&device.home());
    let connection = rusqlite::Connection::open(&path).unwrap();
    connection.pragma_update(None, "user_version", 99).unwrap();
    drop(connection);
    let ran = tare(&device).args(["item", "list"]).output().unwrap();
    assert_eq!(ran.status.code(), Some(1));
    assert!(String::from_utf8(ran.stderr).unwrap().contains("a later version"));
}
