//! A person's device: the client as it is, in a folder of its own.

use std::path::PathBuf;

use client_cli::config::Env;
use client_cli::local::Store;
use client_cli::ui::Ui;
use serde_json::Value;
use tempfile::TempDir;

use super::actors::Actor;
use super::app::TestApp;

/// A device.
#[derive(Debug)]
pub struct Tare {
    folder: TempDir,
}

/// What a run printed and how it ended.
#[derive(Debug)]
pub struct Ran {
    /// The exit code.
    pub code: u8,
    /// Standard output.
    pub out: String,
    /// Standard error.
    pub err: String,
}

impl Ran {
    /// Checks that it went well.
    ///
    /// # Panics
    /// When it did not.
    #[track_caller]
    pub fn well(self) -> Self {
        assert_eq!(self.code, 0, "{}", self.err);
        self
    }

    /// Its one JSON document.
    ///
    /// # Panics
    /// When it is none.
    #[must_use]
    #[track_caller]
    pub fn json(&self) -> Value {
        serde_json::from_str(&self.out).unwrap_or_else(|error| panic!("{error}: {:?}", self.out))
    }
}

impl Tare {
    /// One that is linked to nothing.
    ///
    /// # Panics
    /// When no folder can be made.
    #[must_use]
    #[expect(clippy::new_without_default, reason = "a device is made, not assumed")]
    pub fn new() -> Self {
        Self { folder: tempfile::tempdir().expect("a folder") }
    }

    /// One that is linked as an actor.
    ///
    /// # Panics
    /// When it cannot be linked.
    pub async fn link(app: &TestApp, actor: &Actor) -> Self {
        let device = Self::new();
        device.link_with(app.http.base(), actor.http.token().expect("a token")).await;
        device
    }

    /// Links it with a token.
    ///
    /// # Panics
    /// When it cannot be linked.
    pub async fn link_with(&self, url: &str, token: &str) {
        self.run(&["link", url, "--insecure-storage", "--token-stdin"], token).await.well();
    }

    /// Its folder.
    #[must_use]
    pub fn home(&self) -> PathBuf {
        self.folder.path().join("tare")
    }

    /// Its surroundings.
    #[must_use]
    pub fn env(&self) -> Env {
        Env::at(&self.home())
    }

    /// Its store.
    ///
    /// # Panics
    /// When it cannot be opened.
    #[must_use]
    pub fn store(&self) -> Store {
        Store::open(&self.env()).expect("a store")
    }

    /// Runs `tare` in a thread of its own: it waits for its answers.
    ///
    /// # Panics
    /// When the run does.
    pub async fn run(&self, args: &[&str], input: &str) -> Ran {
        let env = self.env();
        let args: Vec<String> =
            std::iter::once("tare").chain(args.iter().copied()).map(str::to_owned).collect();
        let input = input.to_owned();
        let work = tokio::task::spawn_blocking(move || {
            let (mut ui, captured) = Ui::captured(&input, false);
            let args = args.into_iter().map(Into::into);
            let code = client_cli::run_to_code(args, || Ok(env), &mut ui);
            Ran { code, out: captured.out(), err: captured.err() }
        });
        work.await.expect("the run ends")
    }

    /// Runs `tare` and checks that it went well.
    ///
    /// # Panics
    /// When it did not.
    pub async fn does(&self, args: &[&str]) -> Ran {
        self.run(args, "").await.well()
    }
}
