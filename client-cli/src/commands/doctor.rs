//! `tare doctor`.

use serde_json::{Value, json};

use super::sync::linked;
use crate::app::App;
use crate::error::{Kind, Result};
use crate::local::{Place, Store};
use crate::remote::Remote;
use crate::remote::token::Keeper;

/// One finding.
struct Finding {
    about: &'static str,
    ok: bool,
    words: String,
}

/// Checks the replica, the stored masses, the token and the service.
///
/// # Errors
/// When the replica cannot be opened at all.
pub fn cmd_doctor(app: &mut App<'_>) -> Result<Option<Kind>> {
    let mut store = app.store()?;
    let mut findings =
        vec![Finding { about: "folder", ok: true, words: format!("{}", app.env.home.display()) }];
    findings.push(mode(&store));
    let faults = store.faults()?;
    let words = if faults.is_empty() { "sound".to_owned() } else { faults.join("; ") };
    findings.push(Finding { about: "replica", ok: faults.is_empty(), words });
    for room in store.kitrooms()? {
        store.freshen(room.id)?;
        let differing = store.masses_out_of_step(room.id)?;
        let words = match differing.as_slice() {
            [] => format!("{}: each is what its weighings say", room.name),
            some => format!("{}: not what the weighings say: {}", room.name, some.join(", ")),
        };
        findings.push(Finding { about: "masses", ok: differing.is_empty(), words });
    }
    findings.extend(service(app, &store)?);
    let all_well = findings.iter().all(|finding| finding.ok);
    let rows: Vec<Vec<String>> = findings
        .iter()
        .map(|f| vec![f.about.to_owned(), if f.ok { "well" } else { "NOT WELL" }.to_owned(), f.words.clone()])
        .collect();
    let documents: Vec<Value> = findings
        .iter()
        .map(|finding| json!({ "about": finding.about, "ok": finding.ok, "words": finding.words }))
        .collect();
    app.rows(&["about", "", "finding"], &rows, || json!({ "ok": all_well, "findings": documents }))?;
    Ok((!all_well).then_some(Kind::Refused))
}

fn mode(store: &Store) -> Finding {
    let about = "privacy";
    #[cfg(unix)]
    {
        use std::os::unix::fs::PermissionsExt;
        let open = std::fs::metadata(&store.env().home).map(|data| data.permissions().mode() & 0o077);
        if open.is_ok_and(|open| open != 0) {
            let words = format!("others can enter the folder; run: chmod 700 {}", store.env().home.display());
            return Finding { about, ok: false, words };
        }
    }
    Finding { about, ok: true, words: "the folder is yours alone".to_owned() }
}

fn service(app: &App<'_>, store: &Store) -> Result<Vec<Finding>> {
    let Some(service) = store.setting("service")? else {
        return Ok(vec![Finding { about: "service", ok: true, words: "not linked to one".to_owned() }]);
    };
    let keeper = store.setting("token_in")?.as_deref().and_then(Keeper::from_name);
    let place = keeper.map_or_else(|| "nowhere".to_owned(), |keeper| keeper.describe(app.env));
    let mut client = match linked(store) {
        Ok(client) => client,
        Err(error) => return Ok(vec![Finding { about: "token", ok: false, words: error.to_string() }]),
    };
    let token = Finding { about: "token", ok: true, words: format!("in {place}") };
    let answer = match client.me() {
        Ok(me) => Finding { about: "service", ok: true, words: format!("{service} answers as {}", me.email) },
        Err(failure) => {
            let words = failure.to_error(&format!("{service} does not answer")).to_string();
            Finding { about: "service", ok: false, words }
        }
    };
    let mut findings = vec![token, answer];
    for room in store.kitrooms()?.into_iter().filter(|room| room.place == Place::Linked) {
        let about = "in step";
        let Ok(digest) = client.digest(room.id) else { continue };
        let name = &room.name;
        if digest.head_seq != room.base_seq {
            let words = format!("{name}: the service has changes that this device does not; run: tare sync");
            findings.push(Finding { about, ok: true, words });
            continue;
        }
        let differing = store.kinds_out_of_step(room.id, &digest)?;
        let words = match differing.as_slice() {
            [] => format!("{name}: the same as on the service"),
            kinds => format!("{name}: not the same as on the service: {}", kinds.join(", ")),
        };
        findings.push(Finding { about, ok: differing.is_empty(), words });
    }
    Ok(findings)
}
