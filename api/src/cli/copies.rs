//! `tarebook backup` and `tarebook restore`.

use std::path::Path;

use super::{Failure, ask, database, epoch, migrate, say};
use crate::config::{BackupArgs, RestoreArgs};
use crate::features::copies::store::{self, Held};
use crate::features::kitrooms::store::NEW_EPOCHS;
use crate::platform::clock::Clock;
use crate::platform::db;
use crate::platform::dump::{self, Address};
use crate::platform::embedded_pg::{Clients, EmbeddedPg};

pub fn backup(args: &BackupArgs) -> Result<(), Failure> {
    let (url, private) = database(&args.data, EmbeddedPg::attach)?;
    let (major, held) =
        ask(&url, async |conn| Ok((store::server_major(conn).await?, store::find_held(conn).await?)))?;
    let Held::Ours { accounts, kitrooms, records, .. } = held else {
        return Err("there is nothing to back up: the database holds no Tarebook yet".into());
    };
    let clients = Clients::for_server(major)?;
    let length = dump::write(&clients, &Address::of(&url)?, &args.file)?;
    drop(private);
    say(&format!(
        "{}: {}, {length} bytes; keep it where only you can read \
         it, and away from this machine; the key of the access tokens is not in it, and is made anew where it is missing",
        args.file.display(),
        counted(accounts, kitrooms, Some(records))
    ));
    Ok(())
}

/// How much there is, in words.
fn counted(accounts: i64, kitrooms: i64, records: Option<i64>) -> String {
    let count = |n: i64, word: &str| format!("{n} {word}{}", if n == 1 { "" } else { "s" });
    let mut parts = vec![count(accounts, "account"), count(kitrooms, "kitroom")];
    parts.extend(records.map(|records| count(records, "record")));
    parts.join(", ")
}

pub fn restore(args: &RestoreArgs) -> Result<(), Failure> {
    // The service's own lock: what it writes meanwhile would be lost without anybody being told.
    let (url, private) = database(&args.data, EmbeddedPg::start)?;
    let address = Address::of(&url)?;
    let (major, held, others) = ask(&url, async |conn| {
        Ok((
            store::server_major(conn).await?,
            store::find_held(conn).await?,
            store::other_sessions(conn).await?,
        ))
    })?;
    if others > 0 {
        return Err(format!(
            "other sessions use this database: {others}; stop the service and whatever else uses it, then try again"
        )
        .into());
    }
    let clients = Clients::for_server(major)?;
    let copy = dump::check(&clients, &args.file)?;
    let known = db::known_migrations()?;
    check_known(&args.file, &copy.migrations, &known)?;
    let kept = make_room(args, &clients, &address, &held, &known)?;
    dump::bring_back(&clients, &address, &args.file, NEW_EPOCHS).map_err(|why| match &kept {
        Some(file) => format!("{why} (a copy of what the database holds is in {file})"),
        None => why,
    })?;
    migrate(&url)?;
    let held = ask(&url, async |conn| store::find_held(conn).await)?;
    drop(private);
    if let Held::Ours { accounts, kitrooms, records, last_change } = held {
        let last = last_change
            .map_or_else(|| "none".to_owned(), |at| at.format("%Y-%m-%d %H:%M:%S UTC").to_string());
        say(&format!(
            "restored from {}, made at {}: {}, last change {last}",
            args.file.display(),
            copy.made_at,
            counted(accounts, kitrooms, Some(records))
        ));
    }
    if let Some(file) = kept {
        say(&format!("what the database held before is in {file}"));
    }
    say(&format!("every kitroom has a new epoch: {}", epoch::WHAT_COMES));
    say(
        "what was revoked or changed after that copy counts again: look at passwords (account passwd), sessions and \
         device tokens (sessions revoke), and members; whoever logged in since has to log in again",
    );
    say("next: tarebook serve, then a tare sync on each device");
    Ok(())
}

/// A database of a later version cannot be understood.
fn check_known(what: &Path, migrations: &[String], known: &[String]) -> Result<(), String> {
    match migrations.iter().find(|version| !known.contains(version)) {
        Some(version) => Err(format!(
            "{} comes from a newer tarebook (its step {version} is not known here); nothing was changed, install that one",
            what.display()
        )),
        None => Ok(()),
    }
}

/// Sees to it that nothing is lost which somebody did not mean to replace; answers where it is kept.
fn make_room(
    args: &RestoreArgs,
    clients: &Clients,
    address: &Address,
    held: &Held,
    known: &[String],
) -> Result<Option<String>, Failure> {
    let (accounts, kitrooms) = match held {
        Held::Nothing => return Ok(None),
        Held::Ours { accounts: 0, kitrooms: 0, .. } => return Ok(None),
        Held::Ours { accounts, kitrooms, .. } => (accounts, kitrooms),
        Held::Others { tables } => {
            let words = format!(
                "the database holds tables of something else ({tables}); give Tarebook one of its own"
            );
            return Err(words.into());
        }
        Held::Unknown { migrations } => {
            check_known(Path::new("the database"), migrations, known)?;
            return Err("the database cannot be understood; nothing was changed".into());
        }
    };
    if !args.replace {
        return Err(format!(
            "the database holds {}; nothing was changed; to put the copy in their place add --replace, which first writes \
             them to a file",
            counted(*accounts, *kitrooms, None)
        )
        .into());
    }
    let folder = args.data.data_dir()?;
    std::fs::create_dir_all(&folder).map_err(|error| format!("{}: {error}", folder.display()))?;
    let stamp = Clock::system().now().format("%Y%m%dT%H%M%S%3fZ").to_string();
    let file = dump::beside(&folder, &stamp);
    dump::write(clients, address, &file)?;
    Ok(Some(file.display().to_string()))
}
