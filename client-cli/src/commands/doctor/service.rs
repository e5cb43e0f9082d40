//! The token, the service, its clock and its versions, and whether both hold the same.

use domain::wire::sync::{SCHEMA_VERSION, SyncOverview};

use super::Finding;
use crate::app::App;
use crate::commands::sync::{clock_words, linked};
use crate::error::Result;
use crate::local::{Place, Store};
use crate::remote::token::Keeper;
use crate::remote::{Failure, Remote};
use crate::render::count;
use crate::sync::verify::{Compared, compare};

/// All of it; without a service there is nothing to find.
pub(super) fn findings(app: &App<'_>, store: &Store) -> Result<Vec<Finding>> {
    let Some(service) = store.setting("service")? else {
        return Ok(vec![Finding::new("service", true, "not linked to one")]);
    };
    let keeper = store.setting("token_in")?.as_deref().and_then(Keeper::from_name);
    let place = keeper.map_or_else(|| "nowhere".to_owned(), |keeper| keeper.describe(app.env));
    let mut client = match linked(store) {
        Ok(client) => client,
        Err(error) => return Ok(vec![Finding::new("token", false, one_line(&error.to_string()))]),
    };
    let mut findings = vec![Finding::new("token", true, format!("in {place}"))];
    let overview = match client.me().and_then(|me| Ok((me, client.overview()?))) {
        Ok((me, overview)) => {
            findings.push(Finding::new("service", true, format!("{service} answers as {}", me.email)));
            overview
        }
        Err(failure) => {
            findings.push(silent(&service, &failure));
            return Ok(findings);
        }
    };
    findings.push(clock(app, &overview));
    findings.push(versions(&overview));
    for room in store.kitrooms()?.into_iter().filter(|room| room.place == Place::Linked) {
        let name = &room.name;
        let about = "in step";
        findings.push(match compare(store, &client, &room) {
            Ok(Compared::Same { records }) => Finding::new(
                about,
                true,
                format!("{name}: the same as on the service, {}", count(records, "record")),
            ),
            Ok(Compared::Behind) => Finding::new(
                about,
                true,
                format!("{name}: the service has changes that are not here; run: tare sync"),
            ),
            Ok(Compared::Differs(kinds)) => {
                let kinds: Vec<String> = kinds.keys().map(|kind| kind.replace('_', " ")).collect();
                let words = format!(
                    "{name}: not the same as on the service: {}; see: tare sync --verify",
                    kinds.join(", ")
                );
                Finding::new(about, false, words)
            }
            Err(error) => Finding::new(about, false, one_line(&error.to_string())),
        });
    }
    Ok(findings)
}

fn silent(service: &str, failure: &Failure) -> Finding {
    let error = failure.to_error(&format!("{service} does not answer"));
    Finding::new("service", false, one_line(&error.to_string()))
}

fn one_line(text: &str) -> String {
    text.split('\n').map(str::trim).collect::<Vec<_>>().join("; ")
}

fn clock(app: &App<'_>, overview: &SyncOverview) -> Finding {
    let off = app.env.now().millis() - overview.server_time.millis();
    match clock_words(off) {
        None => Finding::new("clock", true, "agrees with the service's"),
        Some(words) => Finding::new("clock", false, words),
    }
}

fn versions(overview: &SyncOverview) -> Finding {
    let (min, current) = (overview.schema.min, overview.schema.current);
    let takes = if min == current { format!("{current}") } else { format!("{min} to {current}") };
    let ok = (min..=current).contains(&SCHEMA_VERSION);
    let words = match ok {
        true => format!("this tare writes version {SCHEMA_VERSION}, the service takes {takes}"),
        false if SCHEMA_VERSION > current => format!(
            "this tare writes version {SCHEMA_VERSION}, the service takes only {takes}: it has to be updated; what you \
             have not sent is safe"
        ),
        false => format!(
            "this tare writes version {SCHEMA_VERSION}, the service takes {takes}: update tare; what you have not sent is \
             safe"
        ),
    };
    Finding::new("version", ok, words)
}
