//! Where things lie and which clock is used: the only place that reads the environment.

use std::fmt;
use std::path::{Path, PathBuf};
use std::sync::Arc;
use std::time::Duration;

use domain::time::Timestamp;

use crate::error::{Error, Result};

/// Names the folder of the replica and the settings.
pub const HOME_VARIABLE: &str = "TARE_HOME";

/// The surroundings of one run. Everything that differs from run to run comes in here.
#[derive(Clone)]
pub struct Env {
    /// The folder of the replica, the settings and, if asked for, the token.
    pub home: PathBuf,
    /// Tells the time.
    pub clock: Arc<dyn Fn() -> Timestamp + Send + Sync>,
    /// Waits.
    pub pause: Arc<dyn Fn(Duration) + Send + Sync>,
    /// The name of this device, to call its token by.
    pub device: String,
    /// Which machine this is, as far as the system tells: a hash of its own, not the system's id itself.
    pub machine: Option<String>,
    /// Whether the terminal can only append: it has no cursor that can be moved.
    pub only_appends: bool,
}

impl fmt::Debug for Env {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Env").field("home", &self.home).field("device", &self.device).finish_non_exhaustive()
    }
}

impl Env {
    /// The surroundings of the process.
    ///
    /// # Errors
    /// When no folder for the replica can be told.
    pub fn of_process() -> Result<Self> {
        let home = match variable(HOME_VARIABLE) {
            Some(home) => PathBuf::from(home),
            None => dirs::data_dir().map(|dir| dir.join("tare")).ok_or_else(|| {
                Error::usage("there is no place for the data of this account")
                    .hint(format!("set {HOME_VARIABLE} to a folder of your own"))
            })?,
        };
        let device = variable("HOSTNAME").or_else(host_file).unwrap_or_else(|| "this device".to_owned());
        let only_appends = variable("TERM").is_none_or(|name| name == "dumb");
        Ok(Self {
            home,
            clock: Arc::new(system_time),
            pause: Arc::new(std::thread::sleep),
            device,
            machine: machine(),
            only_appends,
        })
    }

    /// The surroundings of a test: this folder, the system's clock, no waiting.
    #[must_use]
    pub fn at(home: &Path) -> Self {
        Self {
            home: home.to_owned(),
            clock: Arc::new(system_time),
            pause: Arc::new(|_| ()),
            device: "test device".to_owned(),
            machine: Some("test machine".to_owned()),
            only_appends: true,
        }
    }

    /// The time now.
    #[must_use]
    pub fn now(&self) -> Timestamp {
        (self.clock)()
    }
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
fn system_time() -> Timestamp {
    Timestamp::from_utc(chrono::Utc::now())
}

#[expect(clippy::disallowed_methods, reason = "this is the one place that reads the environment")]
fn variable(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.trim().is_empty())
}

/// The system's id of this machine must not be shown around (machine-id(5)); what is kept is a hash for this use alone.
fn machine() -> Option<String> {
    use sha2::Digest;
    let id = std::fs::read_to_string("/etc/machine-id").ok()?;
    let id = id.trim();
    let hash = sha2::Sha256::digest(format!("tare replica place {id}"));
    (!id.is_empty()).then(|| hash[..8].iter().map(|byte| format!("{byte:02x}")).collect())
}

fn host_file() -> Option<String> {
    let name = std::fs::read_to_string("/etc/hostname").ok()?;
    let name = name.trim();
    (!name.is_empty() && name.len() <= 60).then(|| name.to_owned())
}
