//! `tare doctor`.

mod disk;
mod service;

use serde_json::{Value, json};

use super::sync::settle_place;
use crate::app::App;
use crate::error::{Error, Kind, Result};
use crate::local::Store;
use crate::render::count;

/// One finding.
struct Finding {
    about: &'static str,
    ok: bool,
    words: String,
}

impl Finding {
    fn new(about: &'static str, ok: bool, words: impl Into<String>) -> Self {
        Self { about, ok, words: words.into() }
    }
}

/// Checks the folder, the replica, the stored masses, the outbox, the clock, the token and the service.
///
/// # Errors
/// When the output cannot be written.
pub fn cmd_doctor(app: &mut App<'_>) -> Result<Option<Kind>> {
    let mut findings = vec![Finding::new("folder", true, format!("{}", app.env.home.display()))];
    findings.extend(disk::findings(app.env));
    match app.store() {
        Ok(mut store) => {
            let is_linked = store.setting("service")?.is_some();
            settle_place(app, &mut store, is_linked)?;
            match replica(&mut store) {
                Ok(found) => findings.extend(found),
                Err(error) => findings.push(broken(&error)),
            }
            findings.extend(service::findings(app, &store)?);
        }
        Err(error) => findings.push(broken(&error)),
    }
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

/// What to do when nothing can be read.
fn broken(error: &Error) -> Finding {
    let why = error.why.as_deref().unwrap_or(&error.what);
    let words = format!(
        "the store cannot be read: {why}. Copy the whole folder to a safe place first: unsent changes are in it. Then move \
         replica.db* out of the folder and link again; the service gives back all that it has"
    );
    Finding::new("replica", false, words)
}

fn replica(store: &mut Store) -> Result<Vec<Finding>> {
    let faults = store.faults()?;
    if !faults.is_empty() {
        return Err(Error::internal(faults.join("; ")));
    }
    let mut findings = vec![Finding::new("replica", true, "sound")];
    for room in store.kitrooms()? {
        store.freshen(room.id)?;
        let differing = store.masses_out_of_step(room.id)?;
        let words = match differing.as_slice() {
            [] => format!("{}: each is what its weighings say", room.name),
            some => format!("{}: not what the weighings say: {}", room.name, some.join(", ")),
        };
        findings.push(Finding::new("masses", differing.is_empty(), words));
        findings.push(outbox(store, &room)?);
    }
    Ok(findings)
}

/// What is not sent is numbered without a gap, or the service would miss some of it.
fn outbox(store: &Store, room: &crate::local::Kitroom) -> Result<Finding> {
    let numbers = store.unsent_numbers(room.id)?;
    let name = &room.name;
    let (Some(first), Some(last)) = (numbers.first(), numbers.last()) else {
        return Ok(Finding::new("outbox", true, format!("{name}: nothing to send")));
    };
    let n = i64::try_from(numbers.len()).unwrap_or(i64::MAX);
    let dense = numbers.windows(2).all(|pair| pair[1] == pair[0] + 1) && *last == room.last_op_no;
    let words = if dense {
        format!("{name}: {} to send, numbers {first} to {last}", count(n, "change"))
    } else {
        format!("{name}: the numbers of {} to send have a gap; run: tare sync --reset", count(n, "change"))
    };
    Ok(Finding::new("outbox", dense, words))
}
