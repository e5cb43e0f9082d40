//! The three ways to a PostgreSQL: a given one, a container, the system's binaries.

use std::any::Any;
use std::fmt;
use std::process::{Command, Stdio};

use api::platform::embedded_pg::{EmbeddedPg, Options};
use testcontainers::bollard::models::PortBinding;
use testcontainers::core::{IntoContainerPort, WaitFor};
use testcontainers::runners::AsyncRunner;
use testcontainers::{GenericImage, ImageExt};

use super::reaper::Reaper;

/// The image that `cargo xtask image` builds.
const IMAGE: (&str, &str) = ("tarebook-test-postgres", "15");
/// The address of a server to use; its role must be allowed to make databases.
const URL_VARIABLE: &str = "TAREBOOK_TEST_DATABASE_URL";
/// Forces one provider: `url`, `container` or `system`.
const PROVIDER_VARIABLE: &str = "TAREBOOK_TEST_PROVIDER";

/// Which way it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Provider {
    /// The server that the environment names.
    Url,
    /// A container of our own image.
    Container,
    /// A private server from the system's binaries.
    System,
}

impl fmt::Display for Provider {
    fn fmt(&self, out: &mut fmt::Formatter<'_>) -> fmt::Result {
        out.write_str(match self {
            Self::Url => "the server of TAREBOOK_TEST_DATABASE_URL",
            Self::Container => "a container of tarebook-test-postgres:15",
            Self::System => "the system's binaries",
        })
    }
}

/// A server that is up. It stays so until the process ends; then its reaper removes it.
#[derive(Debug)]
pub(super) struct Provided {
    pub(super) provider: Provider,
    /// For making and dropping databases.
    pub(super) admin_url: String,
    /// For the tests: the same server, any database, with the rights that the service has.
    pub(super) app_url: String,
    /// The role that shall own the databases, if it is not the administrator.
    pub(super) owner: Option<&'static str>,
    /// What must live as long as the server is used.
    _keep: Vec<Box<dyn Any + Send + Sync>>,
}

impl Provided {
    /// Takes the first provider that there is, or the forced one; never falls back from one that
    /// is there and fails.
    pub(super) async fn bring_up() -> Result<Self, String> {
        match choose()? {
            (Provider::Url, Some(url)) => Ok(Self::given(url)),
            (Provider::Url, None) => Err(format!("{PROVIDER_VARIABLE}=url needs {URL_VARIABLE}")),
            (Provider::Container, _) => Self::container().await,
            (Provider::System, _) => Self::system(),
        }
    }

    fn given(url: String) -> Self {
        Self { provider: Provider::Url, admin_url: url.clone(), app_url: url, owner: None, _keep: Vec::new() }
    }

    async fn container() -> Result<Self, String> {
        if !image_is_there() {
            return Err(format!("no Docker engine answers, or it lacks {}:{}", IMAGE.0, IMAGE.1));
        }
        let failed = |error: testcontainers::TestcontainersError| format!("the container: {error}");
        let container = GenericImage::new(IMAGE.0, IMAGE.1)
            .with_exposed_port(5432.tcp())
            .with_wait_for(WaitFor::message_on_stderr("database system is ready to accept connections"))
            .with_host_config_modifier(|config| {
                // On the loopback address alone, where the engine finds a free port.
                let binding =
                    PortBinding { host_ip: Some("127.0.0.1".to_owned()), host_port: Some(String::new()) };
                config.publish_all_ports = Some(false);
                config.port_bindings = Some([("5432/tcp".to_owned(), Some(vec![binding]))].into());
            })
            .start()
            .await
            .map_err(failed)?;
        let reaper = Reaper::of_container(container.id()).map_err(|error| error.to_string())?;
        let host = container.get_host().await.map_err(failed)?;
        let port = container.get_host_port_ipv4(5432.tcp()).await.map_err(failed)?;
        Ok(Self {
            provider: Provider::Container,
            admin_url: format!("postgresql://tarebook_admin@{host}:{port}/postgres"),
            app_url: format!("postgresql://tarebook@{host}:{port}/postgres"),
            owner: Some("tarebook"),
            _keep: vec![Box::new(container), Box::new(reaper)],
        })
    }

    fn system() -> Result<Self, String> {
        let folder = tempfile::Builder::new().prefix("tarebook-test-pg-").tempdir();
        let folder = folder.map_err(|error| format!("a temporary folder: {error}"))?.keep();
        let path = folder.to_str().ok_or("the temporary folder's path is not text")?;
        let started = EmbeddedPg::start_with(&folder, &Options::throwaway());
        let server = started.map_err(|error| {
            drop(std::fs::remove_dir_all(&folder));
            error.to_string()
        })?;
        let pid = server.pid().ok_or("the private server has no process id")?;
        let reaper = Reaper::of_server(pid, path).map_err(|error| error.to_string())?;
        Ok(Self {
            provider: Provider::System,
            admin_url: server.admin_url(),
            app_url: server.url(),
            owner: Some("tarebook"),
            _keep: vec![Box::new(server), Box::new(reaper)],
        })
    }
}

fn choose() -> Result<(Provider, Option<String>), String> {
    let url = variable(URL_VARIABLE);
    let provider = match variable(PROVIDER_VARIABLE).as_deref() {
        Some("url") => Provider::Url,
        Some("container") => Provider::Container,
        Some("system") => Provider::System,
        Some(other) => return Err(format!("{PROVIDER_VARIABLE}={other}: give url, container or system")),
        None if url.is_some() => Provider::Url,
        None if image_is_there() => Provider::Container,
        None => Provider::System,
    };
    Ok((provider, url))
}

/// Whether an engine answers and has the image: nothing is ever built or pulled by a test.
fn image_is_there() -> bool {
    let name = format!("{}:{}", IMAGE.0, IMAGE.1);
    let mut inspect = Command::new("docker");
    inspect
        .args(["image", "inspect", &name])
        .stdin(Stdio::null())
        .stdout(Stdio::null())
        .stderr(Stdio::null());
    inspect.status().is_ok_and(|status| status.success())
}

#[expect(clippy::disallowed_methods, reason = "the tests' own switches, read here alone")]
fn variable(name: &str) -> Option<String> {
    std::env::var(name).ok().filter(|value| !value.is_empty())
}
