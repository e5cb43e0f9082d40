//! One sync of all kitrooms.

use std::path::PathBuf;

use domain::sync::client::{Effect, End, Event, Patience};
use domain::sync::op::Role;
use domain::wire::kitroom::Purpose;
use uuid::Uuid;

use super::drive::Drive;
use super::{lock, rooms, words};
use crate::error::{Error, Kind, Result};
use crate::local::{Kitroom, Place, Store};
use crate::remote::Remote;

/// Something only the person can decide.
#[derive(Debug, Clone, PartialEq)]
pub struct Question {
    /// The personal kitroom on this device.
    pub here: Kitroom,
    /// How many items it has.
    pub here_items: i64,
    /// The personal kitroom on the service.
    pub there: Kitroom,
    /// How many items it has.
    pub there_items: i64,
    /// Names that both have.
    pub twins: Vec<String>,
}

/// What to do with two personal kitrooms.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Answer {
    /// What was done here goes into the one on the service.
    Join,
    /// The one here stays on this device only.
    Apart,
    /// Not decided.
    Later,
}

/// A kitroom that could not be synced.
#[derive(Debug, Clone, PartialEq)]
pub struct Trouble {
    /// Its name.
    pub kitroom: String,
    /// Why.
    pub error: Error,
}

/// A kitroom that left this device.
#[derive(Debug, Clone, PartialEq)]
pub struct Removed {
    /// Its name.
    pub kitroom: String,
    /// Where its unsent changes were written to, and how many they are.
    pub exported: Option<(PathBuf, usize)>,
}

/// What a sync did.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    /// Changes that the service took, contested ones included.
    pub sent: usize,
    /// Changes that it took as one side of a conflict.
    pub contested: usize,
    /// Changes that it refused.
    pub refused: usize,
    /// Changes that it had refused because something was not there, and that were sent again since it is.
    pub taken_up: i64,
    /// Changes that came from elsewhere.
    pub received: usize,
    /// Kitrooms that could not be synced.
    pub troubles: Vec<Trouble>,
    /// Kitrooms that this account is no longer in.
    pub removed: Vec<Removed>,
    /// Names that two joined kitrooms both had.
    pub twins: Vec<String>,
    /// By how many milliseconds this device's clock is ahead of the service's.
    pub clock: Option<i64>,
    /// Kitrooms whose service was restored or copied, and how many records it may have lost of each.
    pub restored: Vec<(String, i64)>,
}

/// What is wanted besides.
#[derive(Debug, Clone, Default)]
pub struct Wish {
    /// Kitrooms whose base is to be replaced.
    pub reset: Vec<Uuid>,
}

/// Syncs everything.
///
/// # Errors
/// When the service cannot be reached or does not accept this device; what was done before stays done.
pub fn run(
    store: &mut Store,
    remote: &mut dyn Remote,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
) -> Result<Summary> {
    run_with(store, remote, decide, &Wish::default())
}

/// The same with what is wanted besides.
///
/// # Errors
/// As [`run`].
pub fn run_with(
    store: &mut Store,
    remote: &mut dyn Remote,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
    wish: &Wish,
) -> Result<Summary> {
    let _lock = lock::take(store.env())?;
    run_locked(store, remote, decide, wish)
}

/// The same for one who holds the lock.
///
/// # Errors
/// As [`run`].
pub(super) fn run_locked(
    store: &mut Store,
    remote: &mut dyn Remote,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
    wish: &Wish,
) -> Result<Summary> {
    let mut summary = round(store, remote, decide, wish)?;
    // Somebody else may have brought back what a refused change names.
    let mut taken_up = 0;
    for room in store.kitrooms()?.into_iter().filter(|room| room.place == Place::Linked) {
        taken_up += store.take_up_refused(room.id)?;
    }
    if taken_up > 0 {
        let more = round(store, remote, decide, &Wish::default())?;
        summary.taken_up = taken_up;
        summary.sent += more.sent;
        summary.contested += more.contested;
        summary.refused += more.refused;
        summary.received += more.received;
        summary.troubles = more.troubles;
        summary.removed.extend(more.removed);
        summary.restored.extend(more.restored);
    }
    Ok(summary)
}

/// Every kitroom's turn.
fn round(
    store: &mut Store,
    remote: &mut dyn Remote,
    decide: &mut dyn FnMut(&Question) -> Result<Answer>,
    wish: &Wish,
) -> Result<Summary> {
    let mut drive = Drive::new(store, remote, Patience::SHORT)?;
    let absent = poll(&mut drive)?;
    for kitroom in &wish.reset {
        drive.take(Event::Reset { kitroom: *kitroom })?;
    }
    rooms::note_all(&mut drive)?;
    let linked = |drive: &Drive<'_>, new: bool| -> Result<Vec<Kitroom>> {
        let rooms = drive.store.kitrooms()?.into_iter();
        let here = rooms.filter(|room| room.place == Place::Linked && !absent.contains(&room.id));
        Ok(here.filter(|room| room.cursor.is_none() == new).collect())
    };
    // What is new here is got first, so that a question can say how much there is.
    let fresh = linked(&drive, true)?;
    for room in &fresh {
        turn(&mut drive, room)?;
    }
    for room in drive.store.kitrooms()?.into_iter().filter(|room| room.place == Place::Here) {
        match rooms::settle_in(&mut drive, &room, decide) {
            Ok(()) => {}
            Err(error) => in_trouble(&mut drive, &room, error)?,
        }
    }
    let is_sent = |drive: &Drive<'_>, room: &Kitroom| drive.machine.replica().outbox(room.id).is_empty();
    for room in drive.store.kitrooms()?.into_iter().filter(|room| room.place == Place::Linked) {
        let again = fresh.iter().any(|one| one.id == room.id) && is_sent(&drive, &room);
        if !absent.contains(&room.id) && !again {
            turn(&mut drive, &room)?;
        }
    }
    // Names are a comfort: without them a conflict is still told.
    for kitroom in drive.store.kitrooms_of_strangers()? {
        if let Ok(people) = drive.remote.people(kitroom) {
            drive.store.note_people(&people)?;
        }
    }
    let now = drive.store.env().now().to_string();
    drive.store.set_setting("synced_at", Some(&now))?;
    Ok(drive.summary)
}

/// Asks for the state of all kitrooms; takes leave of those that this account was removed from. Answers those that the
/// service no longer mentions.
fn poll(drive: &mut Drive<'_>) -> Result<Vec<Uuid>> {
    let mut absent = Vec::new();
    for effect in drive.take(Event::Begin)? {
        match effect {
            Effect::Ended { kitroom: None, end } => {
                let unsent = unsent_of_all(drive.store)?;
                return Err(match end {
                    End::LoggedOut => words::logged_out(unsent),
                    End::Unreachable { after_ms } => words::unreachable(
                        "the service could not be reached",
                        after_ms,
                        unsent,
                        drive.failure.as_ref(),
                    ),
                    End::Refused(problem) => Error::of_problem("the service did not tell its state", problem),
                    other => Error::internal(format!("a poll ended with {other:?}")),
                });
            }
            Effect::Ended { kitroom: Some(kitroom), end } => {
                absent.push(kitroom);
                let room = drive.store.kitroom(kitroom)?;
                finish(drive, &room, &end)?;
            }
            Effect::Export { kitroom } => rooms::take_leave(drive, kitroom)?,
            // The list of kitrooms, with their names, comes next.
            _ => {}
        }
    }
    let now = drive.store.env().now();
    let clock = drive.overview.as_ref().map(|overview| now.millis() - overview.server_time.millis());
    drive.summary.clock = clock;
    Ok(absent)
}

/// How many changes wait on this device.
fn unsent_of_all(store: &Store) -> Result<i64> {
    let mut unsent = 0;
    for room in store.kitrooms()?.iter().filter(|room| room.place != Place::Apart) {
        unsent += store.outbox_counts(room.id)?.pending;
    }
    Ok(unsent)
}

/// A kitroom's turn. Its trouble does not hold up the others; no answer at all does.
pub(super) fn turn(drive: &mut Drive<'_>, room: &Kitroom) -> Result<()> {
    let lost_before = drive.store.lost_count(room.id)?;
    let end = drive.sync(room.id)?;
    let lost = drive.store.lost_count(room.id)?;
    // Fewer wait when another device has brought something back: that is no restore.
    if lost > lost_before {
        drive.summary.restored.push((room.name.clone(), lost));
    }
    finish(drive, room, &end)
}

fn finish(drive: &mut Drive<'_>, room: &Kitroom, end: &End) -> Result<()> {
    let unsent = drive.store.outbox_counts(room.id)?.pending;
    match words::trouble(end, room, unsent, drive.failure.as_ref()) {
        None => Ok(()),
        Some(_) if *end == End::LoggedOut => Err(words::logged_out(unsent_of_all(drive.store)?)),
        Some(error) => in_trouble(drive, room, error),
    }
}

fn in_trouble(drive: &mut Drive<'_>, room: &Kitroom, error: Error) -> Result<()> {
    if error.kind != Kind::Refused || error.problem.as_ref().is_some_and(|problem| problem.status == 401) {
        return Err(error);
    }
    drive.summary.troubles.push(Trouble { kitroom: room.name.clone(), error });
    Ok(())
}

/// The account's own kitroom, if it is on this device.
pub(super) fn own_personal(store: &Store) -> Result<Option<Kitroom>> {
    Ok(store.kitrooms()?.into_iter().find(|room| {
        room.place == Place::Linked && room.purpose == Purpose::Personal && room.role == Role::Owner
    }))
}
