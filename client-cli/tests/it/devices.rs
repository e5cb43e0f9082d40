//! A device for a test: a folder of its own, a clock that ticks a second each time it is read, and no waiting.

use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::sync::atomic::{AtomicI64, Ordering};

use client_cli::config::Env;
use client_cli::local::{Kitroom, Store};
use client_cli::ui::Ui;
use domain::time::Timestamp;
use tempfile::TempDir;

/// Where a clock starts: 2026-03-01T08:00:00Z.
const START_MS: i64 = 1_772_352_000_000;

/// A device.
pub struct Device {
    folder: TempDir,
    clock: Arc<AtomicI64>,
}

/// What a run printed and how it ended.
#[derive(Debug)]
pub struct Ran {
    pub code: u8,
    pub out: String,
    pub err: String,
}

impl Ran {
    /// Checks that it went well.
    #[track_caller]
    pub fn well(self) -> Self {
        assert_eq!(self.code, 0, "{}", self.err);
        self
    }

    /// Its one JSON document.
    #[track_caller]
    pub fn json(&self) -> serde_json::Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error}: {:?}", self.out))
    }
}

impl Device {
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().unwrap(), clock: Arc::new(AtomicI64::new(START_MS)) }
    }

    /// A device with a kitroom and a few items, weighed once each.
    pub fn with_kit() -> Self {
        let device = Self::new();
        device.run(&["kitroom", "new", "Runner A"]).well();
        for (name, reading) in [("shell jacket A", "412"), ("gloves", "86"), ("cup", "31")] {
            device.run(&["weigh", name, reading, "--new", "--reads-to", "1"]).well();
        }
        device
    }

    pub fn home(&self) -> PathBuf {
        self.folder.path().join("tare")
    }

    pub fn env(&self) -> Env {
        let clock = Arc::clone(&self.clock);
        let mut env = Env::at(&self.home());
        env.clock =
            Arc::new(move || Timestamp::from_millis(clock.fetch_add(1000, Ordering::Relaxed)).unwrap());
        env
    }

    /// Moves the clock on.
    pub fn wait_days(&self, days: i64) {
        self.clock.fetch_add(days * 86_400_000, Ordering::Relaxed);
    }

    /// Another device with a copy of this one's folder.
    pub fn copied(&self) -> Self {
        let copy = Self::new();
        copy.clock.store(self.clock.load(Ordering::Relaxed), Ordering::Relaxed);
        std::fs::create_dir(copy.home()).unwrap();
        for entry in std::fs::read_dir(self.home()).unwrap() {
            let entry = entry.unwrap();
            std::fs::copy(entry.path(), copy.home().join(entry.file_name())).unwrap();
        }
        copy
    }

    pub fn store(&self) -> Store {
        Store::open(&self.env()).unwrap()
    }

    /// The one kitroom of this device.
    pub fn room(&self) -> Kitroom {
        self.store().current_kitroom().unwrap().expect("a kitroom")
    }

    /// Runs a command in a pipe, nobody being there to ask.
    pub fn run(&self, args: &[&str]) -> Ran {
        self.ran(args, "", false)
    }

    /// Runs a command with `input` in a pipe.
    pub fn run_with(&self, args: &[&str], input: &str) -> Ran {
        self.ran(args, input, false)
    }

    /// Runs a command at a terminal where a person types `input`.
    pub fn run_at_terminal(&self, args: &[&str], input: &str) -> Ran {
        self.ran(args, input, true)
    }

    fn ran(&self, args: &[&str], input: &str, terminal: bool) -> Ran {
        let (mut ui, captured) = Ui::captured(input, terminal);
        let args = std::iter::once("tare").chain(args.iter().copied()).map(Into::into);
        let code = client_cli::run_to_code(args, || Ok(self.env()), &mut ui);
        Ran { code, out: captured.out(), err: captured.err() }
    }
}

/// A file of the fixtures.
pub fn fixture(path: &str) -> String {
    Path::new(env!("CARGO_MANIFEST_DIR")).join("../fixtures").join(path).to_str().unwrap().to_owned()
}
