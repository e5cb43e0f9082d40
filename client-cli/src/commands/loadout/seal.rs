//! `tare loadout seal` and `tare loadout unseal`.

use domain::ids::LoadoutId;
use domain::kinds::{loadout::KIND, seal};
use domain::loadout::{snapshot, verdicts};
use domain::wire::loadout::LoadoutState;
use domain::wire::seal::{MAX_SEAL_BYTES, SealBody};
use serde_json::json;

use super::after::{head, start_line};
use super::packed::Packed;
use super::verdicts::{heading, rule_lines};
use super::{LoadoutSealArgs, LoadoutUnsealArgs, of_record, open};
use crate::app::App;
use crate::error::{Error, Result};
use crate::local::Draft;
use crate::local::loadouts::Reach;
use crate::render::{long_day, wrapped};

/// Shows the verdicts and the caution, asks, and stores the loadout as it stands. Works without a service.
///
/// # Errors
/// When it is sealed already, is empty, or nobody says yes.
pub fn cmd_loadout_seal(app: &mut App<'_>, args: &LoadoutSealArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    if open.state.state == LoadoutState::Sealed {
        let on = open.state.sealed_at.map_or(String::new(), |at| format!(" on {}", long_day(at)));
        let name = open.name();
        return Err(Error::refused(format!("{name} was sealed{on}; nothing was changed")).hint(format!(
            "to see it: tare loadout show \"{name}\"\n           \
             sealed too early: tare loadout unseal \"{name}\" --reason WHY"
        )));
    }
    if open.entries.is_empty() {
        return Err(
            Error::refused(format!("{} is empty", open.name())).hint("put things in: tare loadout put ITEM")
        );
    }
    let facts = store.loadout_facts(&open.room, &open.record, Reach::Lines)?;
    let judged = verdicts(&facts);
    let snapshot = snapshot(&facts, facts.as_of);
    if !app.ui.json {
        let packed = Packed::of(&store, &open)?;
        let mut text = heading(open.name(), &judged);
        for (at, rule) in judged.verdicts.iter().enumerate() {
            text.push_str(&rule_lines(at + 1, rule, &packed));
        }
        let masses = domain::loadout::mass(&facts);
        text.push_str(&format!("\n{}\n", start_line(open.name(), &masses)));
        text.push_str(&format!("\n{}\n", wrapped(0, &judged.caution)));
        app.ui.data(&text)?;
        app.ui.flush()?;
    }
    if !args.yes {
        if !app.ui.can_ask {
            return Err(Error::usage("nobody is here to say yes")
                .hint("look at the verdicts, then: tare loadout seal --yes"));
        }
        let question = format!("seal {} as it stands? it cannot be changed from then on", open.name());
        if !app.yes(&question, false)? {
            return Err(Error::refused("not sealed; nothing was changed"));
        }
    }
    let loadout_id = LoadoutId::new(open.record.id).map_err(|why| Error::internal(why.to_string()))?;
    let body =
        SealBody { loadout_id, observed_at: Some(facts.as_of), snapshot, supersedes_id: None, note: None };
    let draft = Draft::make(&seal::KIND, store.new_id(), &body)?;
    let bytes = serde_json::to_vec(&draft.payload)?.len();
    if bytes > MAX_SEAL_BYTES {
        return Err(Error::refused("the loadout was not sealed")
            .because(format!("what is to be fixed has {bytes} bytes; at most {MAX_SEAL_BYTES} are kept"))
            .hint("put several units of one thing into one line; shorten long notes of the rules"));
    }
    let seal_id = draft.record_id;
    store.act(open.room.id, &[draft])?;
    let open = of_record(&store, open.room, open.record)?;
    let words = format!(
        "{} is sealed on this device; after the race: tare loadout used. A sheet for the desk: tare loadout print",
        open.name()
    );
    app.done(&wrapped(0, &words), || {
        json!({ "loadout": head(&open), "seal_id": seal_id, "snapshot": body.snapshot, "caution": judged.caution })
    })
}

/// Voids the seal that stands; it stays in the history with the reason.
///
/// # Errors
/// When the loadout is not sealed.
pub fn cmd_loadout_unseal(app: &mut App<'_>, args: &LoadoutUnsealArgs) -> Result<()> {
    let mut store = app.store()?;
    let open = open(app, &store, args.loadout.as_deref())?;
    let Some(_) = open.state.seal_id else {
        return Err(Error::refused(format!("{} is not sealed", open.name())));
    };
    let seals = store.referring(open.room.id, &seal::KIND, "loadout_id", (KIND.name, open.record.id))?;
    let standing = seals.iter().filter(|seal| seal.is_live());
    let drafts: Vec<Draft> =
        standing.map(|record| Draft::void(&seal::KIND, record.id, &args.reason)).collect();
    store.act(open.room.id, &drafts)?;
    let open = of_record(&store, open.room, open.record)?;
    app.done(
        &format!("{} may be changed again; the seal stays in its history", open.name()),
        || json!({ "loadout": head(&open) }),
    )
}
