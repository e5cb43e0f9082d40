//! A sitting at a live scale, as the real program at a real (pseudo-)terminal of 80 columns and 24 rows, in its own
//! process; and by turns, with answers that are read when something is asked.
#![cfg(target_os = "linux")]

use std::fs::File;
use std::io::{Read, Write};
use std::path::PathBuf;
use std::process::{Child, Command, Stdio};
use std::sync::mpsc::{Receiver, channel};
use std::time::{Duration, Instant};

use assert_cmd::cargo::CommandCargoExt;
use rustix::pty::{OpenptFlags, grantpt, openpt, ptsname, unlockpt};
use rustix::termios::{Winsize, tcsetwinsize};

use crate::devices::{Device, fixture};

/// What lies on the pan in `ten_items.rec`, in order, after the check weight.
const TEN: [(i64, &str); 10] = [
    (412, "shell jacket A"),
    (86, "gloves thin"),
    (318, "vest"),
    (57, "cup"),
    (8, "whistle"),
    (236, "head lamp"),
    (142, "base top"),
    (23, "foil blanket"),
    (31, "compass"),
    (896, "shoes"),
];

/// The far end of a pseudo-terminal, which no child inherits, and the path of its near end.
fn pair() -> (File, PathBuf) {
    let far = openpt(OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC).unwrap();
    grantpt(&far).unwrap();
    unlockpt(&far).unwrap();
    let name = ptsname(&far, Vec::new()).unwrap();
    (File::from(far), PathBuf::from(name.into_string().unwrap()))
}

/// The program at a terminal.
struct AtTerminal {
    child: Child,
    keyboard: File,
    screen: Receiver<Vec<u8>>,
    seen: String,
    /// How much of what was seen has been waited for.
    read: usize,
}

impl AtTerminal {
    fn start(device: &Device, args: &[&str]) -> Self {
        let (keyboard, name) = pair();
        tcsetwinsize(&keyboard, Winsize { ws_row: 24, ws_col: 80, ws_xpixel: 0, ws_ypixel: 0 }).unwrap();
        let near = || Stdio::from(File::options().read(true).write(true).open(&name).unwrap());
        let mut command = Command::cargo_bin("tare").unwrap();
        command.env_clear().env("TARE_HOME", device.home()).env("TERM", "vt100").args(args);
        let child = command.stdin(near()).stdout(near()).stderr(near()).spawn().unwrap();
        let mut reader = keyboard.try_clone().unwrap();
        let (sender, screen) = channel();
        std::thread::spawn(move || {
            let mut buffer = [0; 4096];
            while let Ok(n @ 1..) = reader.read(&mut buffer) {
                if sender.send(buffer[..n].to_vec()).is_err() {
                    return;
                }
            }
        });
        Self { child, keyboard, screen, seen: String::new(), read: 0 }
    }

    /// Waits until the screen has shown this since the last time.
    fn wait_for(&mut self, words: &str) {
        let deadline = Instant::now() + Duration::from_secs(30);
        loop {
            if let Some(at) = self.seen[self.read..].find(words) {
                self.read += at + words.len();
                return;
            }
            match self.screen.recv_timeout(deadline.saturating_duration_since(Instant::now())) {
                Ok(bytes) => self.seen.push_str(&String::from_utf8_lossy(&bytes)),
                Err(error) => panic!("{words:?} was never shown ({error}); seen:\n{}", self.seen),
            }
        }
    }

    fn types(&mut self, line: &str) {
        self.keyboard.write_all(format!("{line}\n").as_bytes()).unwrap();
    }

    /// Waits for its end; what it has shown.
    fn end(mut self) -> String {
        let status = self.child.wait().unwrap();
        while let Ok(bytes) = self.screen.recv_timeout(Duration::from_millis(200)) {
            self.seen.push_str(&String::from_utf8_lossy(&bytes));
        }
        assert!(status.success(), "{status}:\n{}", self.seen);
        std::mem::take(&mut self.seen)
    }
}

/// What a terminal of 80 columns shows at last, of what it was sent: the escapes of the sitting's block and plain text.
fn shown(sent: &str) -> Vec<String> {
    let mut rows: Vec<Vec<char>> = vec![Vec::new()];
    let (mut row, mut column, mut kept) = (0_usize, 0_usize, (0, 0));
    let mut chars = sent.chars().peekable();
    while let Some(c) = chars.next() {
        match c {
            '\r' => column = 0,
            '\n' => row += 1,
            '\x1b' => match chars.next() {
                Some('7') => kept = (row, column),
                Some('8') => (row, column) = kept,
                Some('[') => {
                    let mut number = String::new();
                    let end = loop {
                        match chars.next() {
                            Some(digit) if digit.is_ascii_digit() => number.push(digit),
                            other => break other,
                        }
                    };
                    let n = number.parse().unwrap_or(0);
                    match end {
                        Some('A') => row = row.saturating_sub(n),
                        Some('B') => row += n,
                        Some('K') => rows[row].clear(),
                        Some('J') => {
                            rows.truncate(row + 1);
                            rows[row].truncate(column);
                        }
                        other => panic!("an escape that nobody knows: {other:?}"),
                    }
                }
                other => panic!("an escape that nobody knows: {other:?}"),
            },
            c => {
                while rows.len() <= row {
                    rows.push(Vec::new());
                }
                while rows[row].len() <= column {
                    rows[row].push(' ');
                }
                rows[row][column] = c;
                column += 1;
            }
        }
        while rows.len() <= row {
            rows.push(Vec::new());
        }
    }
    rows.into_iter().map(|row| row.into_iter().collect::<String>().trim_end().to_owned()).collect()
}

/// Weighs the ten items of the recording, naming each as it is asked for; answers what was shown and how long it took.
fn weigh_ten(device: &Device, more: &[&str]) -> (String, Duration) {
    let scale = format!("{}@40", fixture("scale/ten_items.rec"));
    let mut args =
        vec!["weigh", "--from", &scale, "--reads-to", "1", "--whose", "Runner A", "--check", "200"];
    args.extend(more);
    let begun = Instant::now();
    let mut run = AtTerminal::start(device, &args);
    run.wait_for("200 g on, alone");
    for (grams, name) in TEN {
        run.wait_for(&format!("{grams} g: what is it?"));
        run.types(name);
        run.wait_for(name);
    }
    run.wait_for("q to end");
    run.types("q");
    let shown = run.end();
    (shown, begun.elapsed())
}

#[test]
fn weigh_live_ten_items_at_a_terminal_are_ten_facts_and_take_seconds() {
    let device = Device::new();
    let (sent, took) = weigh_ten(&device, &[]);
    println!(
        "ten items, a recording of 67 s played 40 times faster, answers typed at once: {:.1} s",
        took.as_secs_f64()
    );
    assert!(took < Duration::from_secs(20), "{took:?}");
    let masses = device.run(&["item", "list", "--json"]).well().json();
    for (grams, name) in TEN {
        let item = masses["items"].as_array().unwrap().iter().find(|item| item["name"] == name).unwrap();
        assert_eq!(item["mass_g"], grams as f64, "{name}");
    }
    let lines = shown(&sent);
    assert!(lines.iter().all(|line| line.chars().count() <= 80), "{lines:#?}");
    assert!(lines.iter().any(|line| line.contains("you weighed 10 of 10 this season")), "{lines:#?}");
    // The block is twelve lines; the summary comes after it.
    let prompt = lines.iter().position(|line| line == "> q").unwrap();
    assert_eq!(prompt, 11, "{lines:#?}");
}

#[test]
fn weigh_live_lines_only_are_never_redrawn() {
    let device = Device::new();
    let (sent, _) = weigh_ten(&device, &["--lines"]);
    assert!(!sent.contains('\x1b'), "{sent}");
    assert!(sent.contains("10 saved on this device"), "{sent}");
}

#[test]
fn weigh_live_killed_in_the_middle_loses_nothing_confirmed() {
    let device = Device::new();
    let scale = format!("{}@40", fixture("scale/ten_items.rec"));
    let args = ["weigh", "--from", &scale, "--reads-to", "1", "--whose", "Runner A", "--check", "200"];
    let mut run = AtTerminal::start(&device, &args);
    for (grams, name) in &TEN[..4] {
        run.wait_for(&format!("{grams} g: what is it?"));
        run.types(name);
        run.wait_for(&format!("{name}  (measured"));
    }
    // SIGKILL: nothing can be tidied up.
    run.child.kill().unwrap();
    run.child.wait().unwrap();
    let items = device.run(&["item", "list"]).well().out;
    assert_eq!(items.lines().count(), 4, "{items}");
    let report = device.run(&["doctor", "--json"]).well().json();
    assert_eq!(report["ok"], true, "{report}");
}

#[test]
fn weigh_live_serial_scale_that_vanishes_is_said_and_the_sitting_goes_on() {
    let device = Device::new();
    let (mut far, near) = pair();
    let from = format!("{}@9600", near.display());
    let args = ["weigh", "--from", &from, "--reads-to", "1", "--whose", "Runner A", "--no-check", "--lines"];
    let mut run = AtTerminal::start(&device, &args);
    run.wait_for("put the next item on");
    for grams in [0, 412] {
        for _ in 0..12 {
            far.write_all(format!("ST,GS,+{grams:>7} g\r\n").as_bytes()).unwrap();
            std::thread::sleep(Duration::from_millis(100));
        }
    }
    run.wait_for("412 g: what is it?");
    drop(far);
    run.wait_for("has gone");
    run.types("shell");
    run.wait_for("shell  (measured");
    run.types("57");
    run.wait_for("57 g: what is it?");
    run.types("cup");
    run.wait_for("cup  (measured");
    run.types("q");
    let seen = run.end();
    assert!(seen.contains("2 saved on this device"), "{seen}");
    let cup = device.run(&["item", "show", "cup", "--json"]).well().json();
    assert_eq!(cup["weighings"][0]["source"], "typed");
    let shell = device.run(&["item", "show", "shell", "--json"]).well().json();
    assert_eq!(shell["weighings"][0]["source"], "serial");
}

/// Names for the first sitting, so that the next can guess.
fn weighed_before(device: &Device) {
    for (grams, name) in TEN {
        let grams = grams.to_string();
        device.run(&["weigh", name, &grams, "--new", "--reads-to", "1", "--whose", "Runner A"]).well();
    }
}

#[test]
fn weigh_live_by_turns_enter_takes_the_likely_one_ten_times() {
    let device = Device::new();
    weighed_before(&device);
    device.wait_days(400);
    let scale = format!("{}@max", fixture("scale/ten_items.rec"));
    let ran = device.run_at_terminal(&["weigh", "--from", &scale, "--check", "200"], &"\n".repeat(10)).well();
    assert!(ran.err.contains("412 g [shell jacket A] Enter takes it"), "{}", ran.err);
    assert!(ran.err.contains("10 saved on this device"), "{}", ran.err);
    for (grams, name) in TEN {
        let item = device.run(&["item", "show", name, "--json"]).well().json();
        assert_eq!(
            (item["mass_g"].as_f64(), item["weighings"].as_array().unwrap().len()),
            (Some(grams as f64), 2)
        );
    }
}

#[test]
fn weigh_live_by_turns_not_weighed_this_season_comes_before_the_nearest() {
    let device = Device::new();
    device.run(&["weigh", "vest old", "413", "--new", "--reads-to", "1", "--whose", "Runner A"]).well();
    device.wait_days(400);
    device.run(&["weigh", "shell new", "412", "--new", "--reads-to", "1"]).well();
    let scale = format!("{}@max", fixture("scale/ten_items.rec"));
    let ran = device.run_at_terminal(&["weigh", "--from", &scale, "--check", "200"], "q\n").well();
    assert!(
        ran.err.contains("412 g [vest old] Enter takes it, or type a name (or shell new)"),
        "{}",
        ran.err
    );
}

#[test]
fn weigh_live_by_turns_keys_undo_and_the_other_glove() {
    let device = Device::new();
    weighed_before(&device);
    let scale = format!("{}@max", fixture("scale/ten_items.rec"));
    let typed = "200\nw\n\no vest\nu\n\ngloves\nq\n";
    let ran = device.run_at_terminal(&["weigh", "--from", &scale], typed).well();
    for words in [
        "check weight? type its grams",
        "412 g wet [shell jacket A]",
        "vest  (measured, 1 weighing)  weighed wet: 412 g; shell jacket A is 412.0",
        "undone: 412 g of vest",
        "2 saved on this device",
    ] {
        assert!(ran.err.contains(words), "{words}:\n{}", ran.err);
    }
    let shell = device.run(&["item", "show", "shell", "--json"]).well().json();
    assert_eq!(shell["mass_n"], 1, "{shell}");
}

#[test]
fn weigh_live_by_turns_something_else_is_not_taken_for_the_check_weight() {
    let device = Device::new();
    let scale = format!("{}@max", fixture("scale/ten_items.rec"));
    let args = ["weigh", "--from", &scale, "--reads-to", "1", "--whose", "Runner A", "--check", "412"];
    let ran = device.run_at_terminal(&args, "weight\nq\n").well();
    for words in [
        "200 g was not taken for the check weight of 412 g: it is too far off",
        "200 g waits its turn as an item",
        "check weight 412 g (+- 0.119 g) reads 412 g",
        "200.0 +- 0.6 g  weight",
    ] {
        assert!(ran.err.contains(words), "{words}:\n{}", ran.err);
    }
    let refused = device.run(&["scale", "check", "200=412"]);
    assert!(refused.code == 1 && refused.err.contains("too far off"), "{}", refused.err);
}

#[test]
fn weigh_live_at_a_terminal_a_check_weight_that_settles_before_it_is_named_is_found() {
    let device = Device::new();
    let scale = format!("{}@20", fixture("scale/ten_items.rec"));
    let args = ["weigh", "--from", &scale, "--reads-to", "1", "--whose", "Runner A", "--lines"];
    let mut run = AtTerminal::start(&device, &args);
    run.wait_for("86 g waits");
    run.types("200");
    run.wait_for("check weight 200 g (+- 0.058 g) reads 200 g: +0 g");
    run.wait_for("412 g: what is it?");
    run.types("shell");
    run.wait_for("412.0 +- 0.6 g  shell");
    run.types("q");
    run.end();
}

#[test]
fn weigh_live_by_turns_trouble_is_said_and_the_sitting_goes_on() {
    for (recording, words) in [
        ("tare_and_below_zero.rec", "press zero"),
        ("overload.rec", "too much for this scale"),
        ("overload.rec", "below what this scale can show"),
        ("unit_key.rec", "the scale shows"),
        ("never_settles.rec", "it has not settled"),
        ("worn_cable.rec", "was left out"),
    ] {
        let device = Device::new();
        let scale = format!("{}@max", fixture(&format!("scale/{recording}")));
        let args = ["weigh", "--from", &scale, "--reads-to", "1", "--whose", "Runner A", "--no-check"];
        let ran = device.run_at_terminal(&args, &"s\n".repeat(9)).well();
        assert!(ran.err.contains(words), "{recording}: {words}\n{}", ran.err);
    }
}

#[test]
fn weigh_live_by_turns_a_load_from_the_start_is_not_taken_and_said() {
    let device = Device::new();
    let folder = tempfile::tempdir().unwrap();
    let file = folder.path().join("lines.txt");
    let lines: String = [412, 0, 57].iter().map(|grams| format!("{grams} g\n").repeat(10)).collect();
    std::fs::write(&file, lines).unwrap();
    let from = file.to_str().unwrap();
    let args = ["weigh", "--from", from, "--reads-to", "1", "--whose", "Runner A", "--no-check"];
    let ran = device.run_at_terminal(&args, "cup\n").well();
    assert!(ran.err.contains("412 g lay on the pan from the start"), "{}", ran.err);
    assert!(ran.err.contains("57.0 +- 0.7 g  cup") && ran.err.contains("1 saved"), "{}", ran.err);
}

#[test]
fn weigh_undo_and_correct_choose_from_the_last_readings_by_number() {
    let device = Device::with_kit();
    device.run(&["item", "add", "other glove"]).well();
    let ran = device.run_at_terminal(&["weigh", "correct", "other glove"], "2\n").well();
    assert!(ran.err.contains("   1  ") && ran.err.contains("86 g  gloves"), "{}", ran.err);
    assert!(
        ran.err.contains("corrected: 86 g; other glove is 86.0 +- 0.7 g, gloves is not weighed"),
        "{}",
        ran.err
    );
    let ran = device.run(&["weigh", "undo", "--last"]).well();
    assert!(
        ran.err.contains("taken back: ") && ran.err.contains("31 g  cup; it is not weighed now"),
        "{}",
        ran.err
    );
    let refused = device.run(&["weigh", "undo"]);
    assert!(refused.code == 2 && refused.err.contains("--last"), "{}", refused.err);
    let glove = device.run(&["item", "show", "gloves", "--json"]).well().json();
    // Nothing is gone: the wrong reading is still in history.
    assert_eq!(glove["weighings"].as_array().unwrap().len(), 1);
    let same = device.run(&["weigh", "correct", "other glove", "--of", "other glove", "--last"]);
    assert!(same.code == 1 && same.err.contains("of that item already"), "{}", same.err);
}
