//! One sync of all kitrooms.

use std::collections::HashSet;
use std::path::PathBuf;

use domain::sync::op::Role;
use domain::wire::kitroom::Purpose;
use domain::wire::sync::{SCHEMA_VERSION, SyncOverview};
use uuid::Uuid;

use super::{lock, rooms, transfer};
use crate::error::{Error, Kind, Result};
use crate::local::{Kitroom, Place, Store};
use crate::remote::retry::persist;
use crate::remote::{Remote, or_error};

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

/// What a sync did.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Summary {
    /// Changes that the service took.
    pub sent: usize,
    /// Changes that it refused.
    pub refused: usize,
    /// Changes that came from elsewhere.
    pub received: usize,
    /// Kitrooms that could not be synced.
    pub troubles: Vec<Trouble>,
    /// Kitrooms that this account is no longer in: their names, and where unsent work was written to.
    pub removed: Vec<(String, Option<PathBuf>)>,
    /// Names that two joined kitrooms both had.
    pub twins: Vec<String>,
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
    let env = store.env().clone();
    let _lock = lock::take(&env)?;
    let overview = or_error(persist(&env, || remote.overview()), "the service did not tell its state")?;
    check_schema(&overview)?;
    let mut summary = Summary::default();
    let synced_before: HashSet<Uuid> =
        store.kitrooms()?.iter().filter(|room| room.cursor.is_some()).map(|room| room.id).collect();
    rooms::take_leave(store, &overview, &mut summary)?;
    rooms::note_all(store, remote)?;
    for room in
        store.kitrooms()?.into_iter().filter(|room| room.place == Place::Linked && room.cursor.is_none())
    {
        // What is new here is pulled first, so that a question can say how much there is.
        in_room(&mut summary, &room, |summary| transfer::pull(store, remote, &room, summary))?;
    }
    for room in store.kitrooms()?.into_iter().filter(|room| room.place == Place::Here) {
        in_room(&mut summary, &room, |summary| rooms::settle_in(store, remote, &room, decide, summary))?;
    }
    for room in store.kitrooms()?.into_iter().filter(|room| room.place == Place::Linked) {
        in_room(&mut summary, &room, |summary| {
            if synced_before.contains(&room.id) {
                rooms::check_present(&overview, &room)?;
            }
            transfer::push(store, remote, &room, &overview.limits, summary)?;
            transfer::pull(store, remote, &room, summary)
        })?;
    }
    store.set_setting("synced_at", Some(&env.now().to_string()))?;
    Ok(summary)
}

/// One kitroom's trouble does not hold up the others; no answer at all does.
fn in_room(
    summary: &mut Summary,
    room: &Kitroom,
    work: impl FnOnce(&mut Summary) -> Result<()>,
) -> Result<()> {
    match work(summary) {
        Ok(()) => Ok(()),
        Err(error)
            if error.kind == Kind::Refused && error.problem.as_ref().is_none_or(|p| p.status != 401) =>
        {
            summary.troubles.push(Trouble { kitroom: room.name.clone(), error });
            Ok(())
        }
        Err(error) => Err(error),
    }
}

fn check_schema(overview: &SyncOverview) -> Result<()> {
    let (min, current) = (overview.schema.min, overview.schema.current);
    if (min..=current).contains(&SCHEMA_VERSION) {
        return Ok(());
    }
    let newer = SCHEMA_VERSION > current;
    let hint = if newer { "ask whoever runs the service to update it" } else { "update tare" };
    Err(Error::refused("this tare and the service do not speak the same version")
        .because(format!("the service takes {min} to {current}, this tare speaks {SCHEMA_VERSION}"))
        .hint(format!("{hint}; nothing was sent, and nothing is lost")))
}

/// The account's own kitroom, if it is on this device.
pub(super) fn own_personal(store: &Store) -> Result<Option<Kitroom>> {
    Ok(store.kitrooms()?.into_iter().find(|room| {
        room.place == Place::Linked && room.purpose == Purpose::Personal && room.role == Role::Owner
    }))
}
