//! The command line and the environment: the one place that reads either.

use std::net::SocketAddr;
use std::path::PathBuf;

use clap::{Args, Parser, Subcommand};

use crate::platform::telemetry::LogFormat;

/// The gear database and weight log for ultra-distance trail runners and their clubs: the service.
#[derive(Debug, Parser)]
#[command(name = "tarebook", version, about, max_term_width = 80)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
}

/// What the service's program can do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Run the service.
    Serve(ServeArgs),
    /// Make and list accounts; works while the service runs.
    Account(AccountArgs),
    /// End sessions; works while the service runs.
    Sessions(SessionsArgs),
    /// Write a copy of the whole database into a file; works while the service runs.
    Backup(BackupArgs),
    /// Bring a copy back; the service must not run.
    Restore(RestoreArgs),
    /// Make devices read a kitroom anew; works while the service runs.
    Epoch(EpochArgs),
    /// Print the OpenAPI document.
    Openapi,
}

/// Where the data is.
#[derive(Debug, Clone, Args)]
pub struct DataArgs {
    /// The service's own folder: its key, and its private PostgreSQL.
    #[arg(long, env = "TAREBOOK_DATA_DIR", value_name = "DIR")]
    pub data_dir: Option<PathBuf>,
    /// A PostgreSQL to use instead of a private one; better in the environment, where the process list does not show it.
    #[arg(long, env = "TAREBOOK_DATABASE_URL", value_name = "URL", hide_env_values = true)]
    pub database_url: Option<String>,
}

impl DataArgs {
    /// The folder; by default where the platform keeps a user's data, for root `/var/lib/tarebook`.
    ///
    /// # Errors
    /// When there is no home folder to have it in.
    pub fn data_dir(&self) -> Result<PathBuf, String> {
        if let Some(dir) = &self.data_dir {
            return Ok(dir.clone());
        }
        // PostgreSQL runs without root's powers, and root's home folder is closed to everybody else.
        if nix::unistd::geteuid().is_root() {
            return Ok(PathBuf::from("/var/lib/tarebook"));
        }
        let from = |name| {
            #[expect(clippy::disallowed_methods, reason = "this is the one place that reads the environment")]
            std::env::var_os(name).map(PathBuf::from)
        };
        let base = from("XDG_DATA_HOME").or_else(|| from("HOME").map(|home| home.join(".local/share")));
        base.map(|base| base.join("tarebook"))
            .ok_or_else(|| "there is no home folder; name one with --data-dir".into())
    }
}

/// How to serve.
#[derive(Debug, Clone, Args)]
pub struct ServeArgs {
    /// Where to listen.
    #[arg(long, env = "TAREBOOK_LISTEN", default_value = "127.0.0.1:7430", value_name = "ADDRESS:PORT")]
    pub listen: SocketAddr,
    /// Where the data is.
    #[command(flatten)]
    pub data: DataArgs,
    /// Listen on an address that others can reach, without TLS: only behind a proxy that adds it.
    #[arg(long, env = "TAREBOOK_BEHIND_PROXY")]
    pub behind_proxy: bool,
    /// What is logged: error, warn, info, debug.
    #[arg(long, env = "TAREBOOK_LOG", default_value = "info", value_name = "FILTER")]
    pub log: String,
    /// How logs are written, to standard error.
    #[arg(long, env = "TAREBOOK_LOG_FORMAT", default_value = "json")]
    pub log_format: LogFormat,
}

/// What to do with accounts.
#[derive(Debug, Args)]
pub struct AccountArgs {
    /// What to do.
    #[command(subcommand)]
    pub command: AccountCommand,
}

/// What can be done with accounts.
#[derive(Debug, Subcommand)]
pub enum AccountCommand {
    /// Make an account. The password is read from standard input: one line.
    Add(AccountAddArgs),
    /// Give an account another password; its sessions and device tokens end.
    Passwd(AccountPasswdArgs),
    /// List the accounts.
    List(DataArgs),
}

/// Where to write a copy.
#[derive(Debug, Args)]
pub struct BackupArgs {
    /// A file that is not there yet. It will hold everything, password hashes included: keep it as you keep the service.
    pub file: PathBuf,
    /// Where the data is.
    #[command(flatten)]
    pub data: DataArgs,
}

/// Which copy to bring back.
#[derive(Debug, Args)]
pub struct RestoreArgs {
    /// A file that `tarebook backup` wrote.
    pub file: PathBuf,
    /// Take the place of what the database holds; that is copied into a file first.
    #[arg(long)]
    pub replace: bool,
    /// Where the data is.
    #[command(flatten)]
    pub data: DataArgs,
}

/// What to do with epochs.
#[derive(Debug, Args)]
pub struct EpochArgs {
    /// What to do.
    #[command(subcommand)]
    pub command: EpochCommand,
}

/// What can be done with epochs.
#[derive(Debug, Subcommand)]
pub enum EpochCommand {
    /// Begin a new epoch of a kitroom: each device reads it anew, and shows what it holds that is not here.
    New(EpochNewArgs),
}

/// Whose epoch.
#[derive(Debug, Args)]
pub struct EpochNewArgs {
    /// The kitroom's id, or its name where no other has it.
    pub kitroom: String,
    /// Where the data is.
    #[command(flatten)]
    pub data: DataArgs,
}

/// The sessions to end.
#[derive(Debug, Args)]
pub struct SessionsArgs {
    /// What to do.
    #[command(subcommand)]
    pub command: SessionsCommand,
}

/// What can be done with sessions.
#[derive(Debug, Subcommand)]
pub enum SessionsCommand {
    /// End all sessions and device tokens of an account.
    Revoke(SessionsRevokeArgs),
}

/// Whose sessions.
#[derive(Debug, Args)]
pub struct SessionsRevokeArgs {
    /// The account's e-mail address.
    pub email: String,
    /// Where the data is.
    #[command(flatten)]
    pub data: DataArgs,
}

/// Whose password.
#[derive(Debug, Args)]
pub struct AccountPasswdArgs {
    /// The account's e-mail address.
    pub email: String,
    /// Read the password from standard input; it is never an argument, where the process list shows it.
    #[arg(long, required = true)]
    pub password_stdin: bool,
    /// Where the data is.
    #[command(flatten)]
    pub data: DataArgs,
}

/// The account to make.
#[derive(Debug, Args)]
pub struct AccountAddArgs {
    /// The e-mail address to log in with.
    pub email: String,
    /// The name that others see.
    #[arg(long)]
    pub name: String,
    /// Read the password from standard input; it is never an argument, where the process list shows it.
    #[arg(long, required = true)]
    pub password_stdin: bool,
    /// Where the data is.
    #[command(flatten)]
    pub data: DataArgs,
}
