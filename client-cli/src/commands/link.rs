//! `tare link`.

use clap::Args;
use domain::wire::account::{CreateDeviceToken, CreateSession};
use domain::wire::text::Name;

use super::sync::{self, JoinArgs};
use crate::app::App;
use crate::error::{Error, Kind, Result};
use crate::local::Store;
use crate::remote::address::Address;
use crate::remote::client::HttpClient;
use crate::remote::retry::persist;
use crate::remote::token::Keeper;
use crate::remote::{Remote, Secret, or_error};

/// Which service, and how this device proves itself.
#[derive(Debug, Args)]
pub struct LinkArgs {
    /// The service, as in https://kit.example.org.
    pub url: String,
    /// The account's e-mail address.
    #[arg(long)]
    pub email: Option<String>,
    /// Read the password from standard input instead of asking.
    #[arg(long, requires = "email")]
    pub password_stdin: bool,
    /// Read a device token from standard input instead of logging in.
    #[arg(long, conflicts_with_all = ["email", "password_stdin"])]
    pub token_stdin: bool,
    /// Keep the token in a file that only you can read, where there is no keyring.
    #[arg(long)]
    pub insecure_storage: bool,
    /// What to call this device in the account's list.
    #[arg(long, value_name = "NAME")]
    pub device_name: Option<String>,
    /// What to do with two kitrooms of yours.
    #[command(flatten)]
    pub join: JoinArgs,
}

/// Links this device to a service and syncs.
///
/// # Errors
/// When there is no place for the token, the login is refused, or the service cannot be reached.
pub fn cmd_link(app: &mut App<'_>, args: LinkArgs) -> Result<Option<Kind>> {
    let address = Address::parse(&args.url)?;
    let keeper = if args.insecure_storage { Keeper::File } else { Keeper::Keyring };
    // Before anything is asked: whoever types a password should know what becomes of it.
    keeper.check(app.env, &address)?;
    app.ui.say(&format!(
        "a token for this device will be kept in {}; the password is not kept",
        keeper.describe(app.env)
    ));
    let mut store = app.store()?;
    let client = HttpClient::new(address.clone())?;
    let (token, token_id) = if args.token_stdin {
        let token = app.ui.line()?.unwrap_or_default().trim().to_owned();
        if token.is_empty() {
            return Err(Error::usage("no token came in on standard input"));
        }
        (Secret::new(token), None)
    } else {
        new_token(app, client, &args)?
    };
    let mut client = HttpClient::new(address.clone())?.with_token(token.clone());
    let me = or_error(persist(app.env, || client.me()), "the service did not say whose token this is")?;
    check_same_account(&store, &me.id.to_string())?;
    keeper.keep(app.env, &address, &token)?;
    for (name, value) in [
        ("service", Some(address.to_string())),
        ("token_in", Some(keeper.name().to_owned())),
        ("token_id", token_id),
        ("account_id", Some(me.id.to_string())),
        ("account", Some(me.email.clone())),
    ] {
        store.set_setting(name, value.as_deref())?;
    }
    app.ui.say(&format!("linked to {address} as {}", me.email));
    sync::settle_place(app, &mut store, false)?;
    let summary = crate::sync::run(&mut store, &mut client, &mut |question| {
        sync::decide(app.ui, question, &args.join)
    })?;
    sync::report(app, &store, &summary)
}

/// Logs in once and makes a token of this device's own.
fn new_token(app: &mut App<'_>, client: HttpClient, args: &LinkArgs) -> Result<(Secret, Option<String>)> {
    let email = match &args.email {
        Some(email) => email.clone(),
        None if app.ui.can_ask => app.ui.ask("e-mail > ")?.unwrap_or_default().trim().to_owned(),
        None => {
            return Err(Error::usage("nobody is there to log in")
                .hint("give --email and --password-stdin, or --token-stdin"));
        }
    };
    let password = match args.password_stdin {
        true => app.ui.line()?.unwrap_or_default(),
        false if app.ui.can_ask => app.ui.ask_secret("password (it is not shown) > ")?,
        false => return Err(Error::usage("the password is missing").hint("give --password-stdin")),
    };
    // A login is not repeated by itself: tries are counted.
    let session = or_error(client.log_in(&CreateSession { email, password }), "the login failed")?;
    let client = client.with_token(Secret::new(session.access_token));
    let name = args.device_name.as_deref().unwrap_or(&app.env.device);
    let name = Name::new(name).map_err(|why| Error::usage("the device's name").because(why))?;
    let made = or_error(client.make_device_token(&CreateDeviceToken { name }), "no token was made")?;
    let token = made.token.ok_or_else(|| {
        Error::refused("no token was made").because("the service answered one without its secret")
    })?;
    // The session has done its work; if it cannot be ended it runs out by itself.
    let _ = client.log_out();
    Ok((Secret::new(token), Some(made.id.to_string())))
}

/// A replica belongs to one account: its ops would be another person's otherwise.
fn check_same_account(store: &Store, account: &str) -> Result<()> {
    match store.setting("account_id")? {
        Some(known) if known != account => {
            Err(Error::refused("this device's replica belongs to another account")
                .because("what was done under one account is not sent under another")
                .hint("use another folder for this account: TARE_HOME"))
        }
        _ => Ok(()),
    }
}
