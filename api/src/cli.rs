//! The program: what its commands do, with one clear line when one cannot.

mod copies;
mod epoch;

use std::io::{self, BufRead, Write};
use std::net::TcpListener;
use std::path::Path;
use std::process::ExitCode;
use std::sync::Arc;

use clap::Parser;
use diesel_async::{AsyncConnection, AsyncPgConnection};
use domain::wire::problem::ErrorCode;
use domain::wire::text::Name;
use uuid::Uuid;

use crate::app::{self, Settings};
use crate::config::{
    AccountAddArgs, AccountCommand, AccountPasswdArgs, Cli, Command, DataArgs, EpochCommand, ServeArgs,
    SessionsCommand, SessionsRevokeArgs,
};
use crate::features::accounts::routes::is_email;
use crate::features::accounts::store as accounts;
use crate::features::device_tokens::store as device_tokens;
use crate::features::sessions::store as sessions;
use crate::features::sync::waits::Waits;
use crate::openapi;
use crate::platform::auth::signing_key;
use crate::platform::clock::Clock;
use crate::platform::db;
use crate::platform::embedded_pg::EmbeddedPg;
use crate::platform::error::ApiError;
use crate::platform::limits::{Bounds, LoginLimits};
use crate::platform::password::{PasswordCost, Passwords, check_password};
use crate::platform::telemetry;

/// Connections to the database in all; more do not make it faster on the machines this is for.
const CONNECTIONS: usize = 8;

/// Why a command failed, and the exit code that says so.
struct Failure {
    code: u8,
    words: String,
}

impl From<String> for Failure {
    fn from(words: String) -> Self {
        Self { code: 1, words }
    }
}

impl From<&str> for Failure {
    fn from(words: &str) -> Self {
        words.to_owned().into()
    }
}

/// Runs the program.
#[must_use]
pub fn run() -> ExitCode {
    let cli = match Cli::try_parse() {
        Ok(cli) => cli,
        Err(error) => {
            let code = if error.use_stderr() { 2 } else { 0 };
            // Nothing can be done when even that cannot be printed.
            let _ = error.print();
            return ExitCode::from(code);
        }
    };
    let done = match cli.command {
        Command::Serve(args) => serve(&args),
        Command::Account(args) => match args.command {
            AccountCommand::Add(args) => account_add(&args),
            AccountCommand::Passwd(args) => account_passwd(&args),
            AccountCommand::List(data) => account_list(&data),
        },
        Command::Sessions(args) => match args.command {
            SessionsCommand::Revoke(args) => sessions_revoke(&args),
        },
        Command::Backup(args) => copies::backup(&args),
        Command::Restore(args) => copies::restore(&args),
        Command::Epoch(args) => match args.command {
            EpochCommand::New(args) => epoch::new(&args),
        },
        Command::Openapi => print(&openapi::to_json(&openapi::document())),
    };
    match done {
        Ok(()) => ExitCode::SUCCESS,
        Err(failure) => {
            say(&format!("tarebook: {}", failure.words));
            ExitCode::from(failure.code)
        }
    }
}

fn print(text: &str) -> Result<(), Failure> {
    io::stdout().lock().write_all(text.as_bytes()).map_err(|error| error.to_string().into())
}

fn say(text: &str) {
    // Nothing can be done when standard error is closed.
    let _ = writeln!(io::stderr().lock(), "{text}");
}

/// The database: a given one, or the private one, which lives as long as the value beside its address.
fn database(
    data: &DataArgs,
    open: fn(&Path) -> Result<EmbeddedPg, crate::platform::embedded_pg::EmbeddedPgError>,
) -> Result<(String, Option<EmbeddedPg>), Failure> {
    match &data.database_url {
        Some(url) => Ok((url.clone(), None)),
        None => {
            let private = open(&data.data_dir()?).map_err(|error| error.to_string())?;
            Ok((private.url(), Some(private)))
        }
    }
}

fn serve(args: &ServeArgs) -> Result<(), Failure> {
    if !args.listen.ip().is_loopback() && !args.behind_proxy {
        let words = format!(
            "{} can be reached by others, and passwords would cross the network unencrypted; put a proxy with TLS before \
             it and say --behind-proxy",
            args.listen
        );
        return Err(Failure { code: 2, words });
    }
    telemetry::start(&args.log, args.log_format);
    let data_dir = args.data.data_dir()?;
    std::fs::create_dir_all(&data_dir).map_err(|error| format!("{}: {error}", data_dir.display()))?;
    let signing_key = signing_key(&data_dir.join("access-token.key"))?;
    let listener = TcpListener::bind(args.listen).map_err(|error| {
        format!("cannot listen on {}: {error}; choose another with --listen", args.listen)
    })?;
    let (database_url, private) = database(&args.data, EmbeddedPg::start)?;
    migrate(&database_url)?;
    let settings = Settings {
        database_url,
        connections: CONNECTIONS,
        workers: std::thread::available_parallelism().map_or(1, std::num::NonZero::get).min(CONNECTIONS),
        signing_key,
        password_cost: PasswordCost::PRODUCTION,
        login_limits: LoginLimits::production(args.behind_proxy),
        bounds: Bounds::PRODUCTION,
        clock: Clock::system(),
        waits: Arc::new(Waits::default()),
    };
    let address = listener.local_addr().map_err(|error| error.to_string())?;
    let served: io::Result<()> = actix_web::rt::System::new().block_on(async {
        let server = app::serve(&settings, listener)?;
        let (handle, waits) = (server.handle(), settings.waits.clone());
        // Before the address is told: whoever reads it may stop the service at once.
        let signal = signal();
        actix_web::rt::spawn(async move {
            signal.await;
            tracing::info!("stopping: open requests are finished first");
            app::stop(handle, &waits).await;
        });
        say(&format!("tarebook listens on http://{address} (docs at http://{address}/docs/)"));
        server.await
    });
    drop(private);
    served.map_err(|error| format!("the server failed: {error}").into())
}

/// Handles the signals to stop from now on; the answer waits for one.
fn signal() -> impl Future<Output = ()> {
    use tokio::signal::unix::{Signal, SignalKind, signal};
    let on = |kind| signal(kind).ok();
    let (mut terminate, mut interrupt) = (on(SignalKind::terminate()), on(SignalKind::interrupt()));
    async move {
        async fn next(signal: &mut Option<Signal>) {
            match signal {
                Some(signal) => drop(signal.recv().await),
                // Without a handler the signal stops the service as it does any program.
                None => std::future::pending().await,
            }
        }
        tokio::select! {
            () = next(&mut terminate) => {}
            () = next(&mut interrupt) => {}
        }
    }
}

fn read_password(about: &[&str]) -> Result<String, Failure> {
    let mut line = String::new();
    io::stdin()
        .lock()
        .read_line(&mut line)
        .map_err(|error| format!("the password cannot be read: {error}"))?;
    let password = line.strip_suffix('\n').unwrap_or(&line);
    let password = password.strip_suffix('\r').unwrap_or(password);
    check_password("", password, about).map_err(|error| {
        let why = error.problem().errors.first().map(|wrong| wrong.detail.clone());
        format!("the password {}", why.unwrap_or_default())
    })?;
    Ok(password.to_owned())
}

/// Runs a piece of work on the database, beside a running service or alone.
fn on_database<T>(
    data: &DataArgs,
    work: impl AsyncFnOnce(&mut AsyncPgConnection) -> Result<T, ApiError>,
) -> Result<T, Failure> {
    let (url, private) = database(data, EmbeddedPg::attach)?;
    migrate(&url)?;
    let done = ask(&url, work);
    drop(private);
    done
}

fn migrate(url: &str) -> Result<(), Failure> {
    db::migrate(url).map_err(|error| format!("the database cannot be brought up to date: {error}").into())
}

/// Runs a piece of work on the database at an address.
fn ask<T>(
    url: &str,
    work: impl AsyncFnOnce(&mut AsyncPgConnection) -> Result<T, ApiError>,
) -> Result<T, Failure> {
    let runtime = tokio::runtime::Runtime::new().map_err(|error| error.to_string())?;
    let done = runtime.block_on(async {
        let mut conn = AsyncPgConnection::establish(url).await.map_err(|error| error.to_string())?;
        work(&mut conn)
            .await
            .map_err(|error| error.problem().detail.clone().unwrap_or_else(|| error.to_string()))
    });
    Ok(done?)
}

fn account_add(args: &AccountAddArgs) -> Result<(), Failure> {
    let name = Name::new(&args.name).map_err(|words| format!("--name {words}"))?;
    let email = args.email.trim();
    if !is_email(email) {
        return Err(format!("{email:?} is no e-mail address").into());
    }
    let password = read_password(&[email, name.as_str()])?;
    let passwords = Passwords::new(PasswordCost::PRODUCTION)?;
    on_database(&args.data, async |conn| {
        let hash = passwords.hash(password).await?;
        accounts::insert_account(conn, Uuid::now_v7(), email, name.as_str(), &hash, Clock::system().now())
            .await
    })?;
    say(&format!("account {} made; log in with tare link", email.to_lowercase()));
    Ok(())
}

async fn find_account(conn: &mut AsyncPgConnection, email: &str) -> Result<Uuid, ApiError> {
    let found = accounts::find_by_email(conn, email.trim()).await?;
    found.ok_or_else(|| ApiError::new(ErrorCode::NotFound, format!("there is no account for {email}")))
}

async fn end_everything(conn: &mut AsyncPgConnection, account: Uuid) -> Result<(), ApiError> {
    let now = Clock::system().now();
    sessions::revoke_sessions(conn, account, None, now).await?;
    device_tokens::revoke_device_tokens(conn, account, now).await
}

/// How long a running service may still take an ended session for a good one.
const REMEMBERED: &str = "a running service refuses them within 5 s";

fn account_passwd(args: &AccountPasswdArgs) -> Result<(), Failure> {
    let password = read_password(&[&args.email])?;
    let passwords = Passwords::new(PasswordCost::PRODUCTION)?;
    on_database(&args.data, async |conn| {
        let account = find_account(conn, &args.email).await?;
        let hash = passwords.hash(password).await?;
        accounts::update_password(conn, account, &hash).await?;
        end_everything(conn, account).await
    })?;
    say(&format!(
        "{} has another password; its sessions and device tokens are ended ({REMEMBERED})",
        args.email
    ));
    Ok(())
}

fn sessions_revoke(args: &SessionsRevokeArgs) -> Result<(), Failure> {
    on_database(&args.data, async |conn| {
        let account = find_account(conn, &args.email).await?;
        end_everything(conn, account).await
    })?;
    say(&format!("the sessions and device tokens of {} are ended ({REMEMBERED})", args.email));
    Ok(())
}

fn account_list(data: &DataArgs) -> Result<(), Failure> {
    let found = on_database(data, async |conn| accounts::list_accounts(conn).await)?;
    let lines: String = found
        .iter()
        .map(|account| format!("{}\t{}\t{}\n", account.email, account.name, account.created_at))
        .collect();
    print(&lines)
}
