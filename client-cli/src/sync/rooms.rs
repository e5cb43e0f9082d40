//! Which kitrooms there are, here and there.

use std::collections::HashSet;
use std::io::Write;
use std::path::PathBuf;

use domain::ids::KitroomId;
use domain::wire::kitroom::{CreateKitroom, Purpose};
use domain::wire::problem::ErrorCode;
use domain::wire::sync::SyncOverview;
use domain::wire::text::Name;
use serde_json::json;

use super::run::{Answer, Question, Summary, own_personal};
use super::transfer;
use crate::error::{Error, Result};
use crate::local::items::fold;
use crate::local::{Kitroom, Place, State, Store};
use crate::remote::retry::persist;
use crate::remote::{Remote, or_error};

/// Takes kitrooms that this account was removed from off this device, after writing out what was not sent. Absence alone
/// never does that.
pub(super) fn take_leave(store: &mut Store, overview: &SyncOverview, summary: &mut Summary) -> Result<()> {
    let removed: HashSet<_> = overview.removed.iter().map(|removed| removed.kitroom_id.uuid()).collect();
    let gone: Vec<Kitroom> = store
        .kitrooms()?
        .into_iter()
        .filter(|room| room.place == Place::Linked && removed.contains(&room.id))
        .collect();
    for room in gone {
        let file = export_unsent(store, &room)?;
        store.purge_kitroom(room.id)?;
        summary.removed.push((room.name, file));
    }
    Ok(())
}

/// Writes what the service does not have to a file that only its owner can read.
fn export_unsent(store: &Store, room: &Kitroom) -> Result<Option<PathBuf>> {
    let states = [State::Pending, State::Sent, State::Rejected, State::Aside];
    let ops = store.outbox(room.id, &states)?;
    if ops.is_empty() {
        return Ok(None);
    }
    let stamp = store.env().now().millis();
    let path = store.env().home.join(format!("unsent-{stamp}-{}.json", room.id));
    let pushed: Vec<_> = ops.iter().map(|op| json!({ "op": op.to_push(), "problem": op.problem })).collect();
    let document = json!({ "kitroom_id": room.id, "kitroom": room.name, "ops": pushed });
    let mut options = std::fs::OpenOptions::new();
    options.write(true).create_new(true);
    #[cfg(unix)]
    std::os::unix::fs::OpenOptionsExt::mode(&mut options, 0o600);
    let mut file = options.open(&path)?;
    file.write_all(serde_json::to_string_pretty(&document)?.as_bytes())?;
    file.sync_all()?;
    Ok(Some(path))
}

/// Notes every kitroom of the service. One that was made here and whose answer was lost is known by its id.
pub(super) fn note_all(store: &mut Store, remote: &mut dyn Remote) -> Result<()> {
    let env = store.env().clone();
    for view in or_error(persist(&env, || remote.kitrooms()), "the service did not list the kitrooms")? {
        store.note_kitroom(view.id.into(), &view.name, view.purpose, view.role)?;
    }
    Ok(())
}

/// A kitroom that the service no longer mentions may have been lost with a restored backup: nothing is deleted here.
pub(super) fn check_present(overview: &SyncOverview, room: &Kitroom) -> Result<()> {
    match overview.kitrooms.iter().find(|one| one.kitroom_id.uuid() == room.id) {
        Some(one) if room.epoch.is_some_and(|epoch| epoch != one.epoch) => {
            Err(crate::local::epoch_changed(&room.name))
        }
        Some(_) => Ok(()),
        None => Err(Error::refused(format!("the service no longer knows {}", room.name))
            .because("it was restored from a backup, or you were removed and it cannot say so")
            .hint("nothing was changed on this device; ask whoever runs the service")),
    }
}

/// Brings a kitroom that was made offline to the service, with its own id where that is free.
pub(super) fn settle_in(
    store: &mut Store,
    remote: &mut dyn Remote,
    room: &Kitroom,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
    summary: &mut Summary,
) -> Result<()> {
    let mut room = room.clone();
    // Each try removes the reason of the one before: another id, or a kitroom that was made elsewhere meanwhile.
    for _ in 0..3 {
        if room.purpose == Purpose::Personal
            && let Some(there) = own_personal(store)?
        {
            return two_personal(store, &room, &there, decide, summary);
        }
        let id = KitroomId::new(room.id).map_err(|error| Error::internal("a stored id").because(error))?;
        let name = Name::new(&room.name).map_err(|why| Error::internal("a stored name").because(why))?;
        let wanted = CreateKitroom { id: Some(id), name, purpose: room.purpose };
        let env = store.env().clone();
        let failure = match persist(&env, || remote.create_kitroom(&wanted)) {
            Ok(view) => {
                store.note_kitroom(view.id.into(), &view.name, view.purpose, view.role)?;
                return Ok(());
            }
            Err(failure) => failure,
        };
        match failure.code() {
            Some(ErrorCode::PersonalExists) => {
                note_all(store, remote)?;
                match own_personal(store)? {
                    Some(there) => transfer::pull(store, remote, &there, summary)?,
                    None => {
                        return Err(failure.to_error(&format!("{} was not made on the service", room.name)));
                    }
                }
            }
            Some(ErrorCode::Conflict) => {
                note_all(store, remote)?;
                if store.kitroom(room.id)?.place == Place::Linked {
                    return Ok(());
                }
                let new = store.give_new_id(room.id)?;
                room = store.kitroom(new)?;
            }
            _ => return Err(failure.to_error(&format!("{} was not made on the service", room.name))),
        }
    }
    Err(Error::refused(format!("{} was not made on the service", room.name))
        .because("it said no three times for reasons that should have gone away")
        .hint("try again: tare sync"))
}

fn two_personal(
    store: &mut Store,
    here: &Kitroom,
    there: &Kitroom,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
    summary: &mut Summary,
) -> Result<()> {
    let there_names: HashSet<String> = store.items(there.id)?.iter().map(|line| fold(&line.name)).collect();
    let here_lines = store.items(here.id)?;
    let mut twins: Vec<String> = here_lines
        .into_iter()
        .filter(|line| there_names.contains(&fold(&line.name)))
        .map(|line| line.name)
        .collect();
    twins.dedup();
    let question = Question {
        here: here.clone(),
        here_items: store.item_count(here.id)?,
        there: there.clone(),
        there_items: store.item_count(there.id)?,
        twins: twins.clone(),
    };
    match decide(&question)? {
        Answer::Join => {
            store.rehome(here.id, there.id)?;
            summary.twins.extend(twins);
            Ok(())
        }
        Answer::Apart => store.set_place(here.id, Place::Apart),
        Answer::Later => Err(Error::refused(format!("{} was not sent", here.name))
            .because(format!("your account has a kitroom of its own already: {}", there.name))
            .hint(
                "tare sync --join puts them together; tare sync --keep-apart leaves this one on this device",
            )),
    }
}
