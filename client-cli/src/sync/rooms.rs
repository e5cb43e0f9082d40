//! Which kitrooms there are, here and there.

use std::collections::HashSet;

use domain::ids::KitroomId;
use domain::sync::client::Event;
use domain::wire::kitroom::{CreateKitroom, KitroomView, Purpose};
use domain::wire::problem::ErrorCode;
use domain::wire::text::Name;
use uuid::Uuid;

use super::drive::Drive;
use super::export::export_unsent;
use super::run::{Answer, Question, Removed, own_personal, turn};
use crate::error::{Error, Result};
use crate::local::items::fold;
use crate::local::{Kitroom, Place};
use crate::remote::or_error;
use crate::remote::retry::persist;

/// Takes a kitroom that this account was removed from off this device, after writing out what was not sent. Absence
/// alone never does that.
pub(super) fn take_leave(drive: &mut Drive<'_>, kitroom: Uuid) -> Result<()> {
    let room = drive.store.kitroom(kitroom)?;
    let exported = export_unsent(drive.store, &room)?;
    drive.take(Event::Exported { kitroom })?;
    drive.summary.removed.push(Removed { kitroom: room.name, exported });
    Ok(())
}

/// Notes every kitroom of the service. One that was made here and whose answer was lost is known by its id.
pub(super) fn note_all(drive: &mut Drive<'_>) -> Result<()> {
    let env = drive.store.env().clone();
    let views = persist(&env, || drive.remote.kitrooms());
    for view in or_error(views, "the service did not list the kitrooms")? {
        note(drive, &view)?;
    }
    Ok(())
}

fn note(drive: &mut Drive<'_>, view: &KitroomView) -> Result<()> {
    let kitroom = view.id.into();
    drive.store.note_kitroom(kitroom, &view.name, view.purpose, view.role)?;
    if drive.machine.replica().kept(kitroom).is_none_or(|kept| !kept.linked) {
        drive.take(Event::Joined { kitroom })?;
    }
    Ok(())
}

/// Brings a kitroom that was made offline to the service, with its own id where that is free.
pub(super) fn settle_in(
    drive: &mut Drive<'_>,
    room: &Kitroom,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
) -> Result<()> {
    let mut room = room.clone();
    // Each try removes the reason of the one before: another id, or a kitroom that was made elsewhere meanwhile.
    for _ in 0..3 {
        if room.purpose == Purpose::Personal
            && let Some(there) = own_personal(drive.store)?
        {
            return two_personal(drive, &room, &there, decide);
        }
        let id = KitroomId::new(room.id).map_err(|error| Error::internal("a stored id").because(error))?;
        let name = Name::new(&room.name).map_err(|why| Error::internal("a stored name").because(why))?;
        let wanted = CreateKitroom { id: Some(id), name, purpose: room.purpose };
        let env = drive.store.env().clone();
        let failure = match persist(&env, || drive.remote.create_kitroom(&wanted)) {
            Ok(view) => return note(drive, &view),
            Err(failure) => failure,
        };
        match failure.code() {
            Some(ErrorCode::PersonalExists) => {
                note_all(drive)?;
                match own_personal(drive.store)? {
                    Some(there) => turn(drive, &there)?,
                    None => {
                        return Err(failure.to_error(&format!("{} was not made on the service", room.name)));
                    }
                }
            }
            Some(ErrorCode::Conflict) => {
                note_all(drive)?;
                if drive.store.kitroom(room.id)?.place == Place::Linked {
                    return Ok(());
                }
                let new = drive.store.give_new_id(&mut drive.machine, room.id)?;
                room = drive.store.kitroom(new)?;
            }
            _ => return Err(failure.to_error(&format!("{} was not made on the service", room.name))),
        }
    }
    Err(Error::refused(format!("{} was not made on the service", room.name))
        .because("it said no three times for reasons that should have gone away")
        .hint("try again: tare sync"))
}

fn two_personal(
    drive: &mut Drive<'_>,
    here: &Kitroom,
    there: &Kitroom,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
) -> Result<()> {
    let store = &mut *drive.store;
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
            store.rehome(&mut drive.machine, here.id, there.id)?;
            drive.summary.twins.extend(twins);
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
