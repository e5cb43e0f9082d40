//! The service as a process on a durable PostgreSQL of its own, which can be killed, stopped and put back.

use std::fs;
use std::net::SocketAddr;
use std::os::unix::fs::PermissionsExt;
use std::path::PathBuf;
use std::process::{Command, Output};

use api::platform::embedded_pg::EmbeddedPg;
use tempfile::TempDir;
use tokio::runtime::Runtime;
use tokio_postgres::{Client, NoTls};

use super::Programs;
use super::proxy::Proxy;
use crate::harness::service::{Place, Service};
use crate::proof::histories::chance::Chance;

/// The account of every device.
pub(super) const EMAIL: &str = "runa@example.org";
/// Its password.
pub(super) const PASSWORD: &str = "a long enough password";

/// The service, its database, and the line to it. All of it ends with the value.
pub(super) struct Stage {
    pub(super) runtime: Runtime,
    pub(super) proxy: Proxy,
    service: Option<Service>,
    place: Place,
    database: Option<EmbeddedPg>,
    url: String,
    folder: TempDir,
    copies: usize,
}

impl Stage {
    pub(super) fn new(programs: &Programs, chance: Chance) -> Self {
        let runtime = tokio::runtime::Builder::new_multi_thread().worker_threads(1).enable_all().build();
        let runtime = runtime.expect("a runtime");
        let folder = tempfile::Builder::new().prefix("tb-proof-").tempdir_in("/tmp").expect("a folder");
        // PostgreSQL runs as another user when the tests run as root.
        fs::set_permissions(folder.path(), fs::Permissions::from_mode(0o755)).expect("its permissions");
        let proxy = Proxy::start(&runtime, chance);
        let place = Place::new(&programs.tarebook);
        let mut stage = Self {
            runtime,
            proxy,
            service: None,
            place,
            database: None,
            url: String::new(),
            folder,
            copies: 0,
        };
        stage.start_database();
        stage.start_service();
        stage.tarebook(&["account", "add", EMAIL, "--name", "Runa", "--password-stdin"], PASSWORD);
        stage
    }

    /// A folder for a device.
    pub(super) fn folder(&self, name: &str) -> PathBuf {
        self.folder.path().join(name)
    }

    fn start_database(&mut self) {
        let database = EmbeddedPg::start(&self.folder("database")).expect("PostgreSQL starts");
        self.url = database.url();
        self.database = Some(database);
    }

    /// Starts the service, once PostgreSQL is there.
    fn start_service(&mut self) {
        let service = self.place.serve_with(&["--database-url", &self.url]);
        let address: Option<SocketAddr> = service.http.base().trim_start_matches("http://").parse().ok();
        self.proxy.leads_to(address.expect("an address"));
        self.service = Some(service);
    }

    /// Brings up again whatever was killed.
    pub(super) fn stand_up(&mut self) {
        if self.database.as_mut().is_none_or(|database| !database.is_running()) {
            drop(self.database.take());
            self.start_database();
        }
        if self.service.as_mut().is_none_or(|service| !service.is_running()) {
            self.service = None;
            self.start_service();
        }
    }

    pub(super) fn service_pid(&self) -> u32 {
        self.service.as_ref().map_or(0, Service::pid)
    }

    pub(super) fn database_pid(&self) -> u32 {
        self.database.as_ref().and_then(EmbeddedPg::pid).unwrap_or(0)
    }

    pub(super) fn kill_service(&mut self) {
        if let Some(mut service) = self.service.take() {
            service.kill();
        }
    }

    fn tarebook(&self, arguments: &[&str], input: &str) {
        let arguments = [arguments, &["--database-url", &self.url]].concat();
        let Output { status, stderr, .. } = self.place.run(&arguments, input);
        assert!(status.success(), "tarebook {arguments:?}: {}", String::from_utf8_lossy(&stderr));
    }

    /// A backup beside the running service.
    pub(super) fn back_up(&mut self) -> PathBuf {
        self.copies += 1;
        let file = self.folder(&format!("{}.backup", self.copies));
        self.tarebook(&["backup", &file.to_string_lossy()], "");
        file
    }

    /// Puts a backup back, as the manual says.
    pub(super) fn restore(&mut self, file: &std::path::Path) {
        drop(self.service.take());
        self.tarebook(&["restore", &file.to_string_lossy(), "--replace"], "");
        self.start_service();
    }

    /// A copy of PostgreSQL's folder, taken while it stands still.
    pub(super) fn copy_folder(&mut self) -> PathBuf {
        self.copies += 1;
        let copy = self.folder(&format!("copy-{}", self.copies));
        self.with_everything_down(|stage| copy_all(&stage.folder("database"), &copy));
        copy
    }

    /// Puts such a copy back without a word to anybody.
    pub(super) fn put_folder_back(&mut self, copy: &std::path::Path) {
        self.with_everything_down(|stage| {
            fs::remove_dir_all(stage.folder("database")).expect("the folder goes");
            copy_all(copy, &stage.folder("database"));
        });
    }

    fn with_everything_down(&mut self, work: impl FnOnce(&Self)) {
        drop(self.service.take());
        drop(self.database.take());
        work(self);
        self.stand_up();
    }

    /// A connection to the database.
    pub(super) fn sql(&self) -> Client {
        self.runtime.block_on(async {
            let (client, connection) =
                tokio_postgres::connect(&self.url, NoTls).await.expect("PostgreSQL answers");
            tokio::spawn(connection);
            client
        })
    }

    pub(super) fn database_url(&self) -> &str {
        &self.url
    }
}

/// Copies a folder with owners and modes.
fn copy_all(from: &std::path::Path, to: &std::path::Path) {
    let done = Command::new("cp").arg("-a").arg(from).arg(to).status().expect("cp runs");
    assert!(done.success(), "{} was not copied", from.display());
}

impl Drop for Stage {
    fn drop(&mut self) {
        // The service first: it would complain of a database that has gone.
        drop(self.service.take());
        drop(self.database.take());
    }
}
