//! Syncing as long as somebody lets it run: what changes elsewhere comes within a second or two, what is done here in
//! another window goes as soon.

use std::collections::HashSet;
use std::sync::mpsc::{Receiver, RecvTimeoutError, Sender, channel};
use std::time::Duration;

use uuid::Uuid;

use super::lock;
use super::run::{Answer, Summary, Wish, run_locked};
use crate::error::{Error, Kind, Result};
use crate::local::{Place, Store};
use crate::remote::client::HttpClient;

/// How often the outbox is looked at.
const LOOK: Duration = Duration::from_secs(1);
/// How long the service may keep a question.
const WAIT_S: i64 = 50;
/// How long nothing is asked after a failure.
const REST: Duration = Duration::from_secs(15);

/// Makes a client of the service.
pub type Connect<'a> = &'a dyn Fn() -> Result<HttpClient>;

/// Syncs now and whenever something changes, until `go_on` says no. What each round did goes to `tell`; a round that got
/// no answer is told and tried again.
///
/// # Errors
/// When another sync runs, the service no longer accepts this device, or the store cannot be read.
pub fn watch(
    store: &mut Store,
    connect: Connect<'_>,
    tell: &mut dyn FnMut(&Store, &Result<Summary>) -> Result<()>,
    go_on: &dyn Fn() -> bool,
) -> Result<()> {
    let _lock = lock::take(store.env())?;
    let mut client = connect()?;
    let mut ears = Ears::new();
    while go_on() {
        let round = run_locked(store, &mut client, &mut |_| Ok(Answer::Later), &Wish::default());
        tell(store, &round)?;
        match round {
            Ok(_) => ears.listen(store, connect)?,
            Err(error) if error.kind == Kind::Unreachable => ears.rest(),
            Err(error) => return Err(error),
        }
        ears.hear(store, go_on)?;
    }
    Ok(())
}

/// Questions that the service keeps until something changes, each in a thread of its own.
struct Ears {
    /// The kitrooms that are listened to; the nil id is a rest.
    open: HashSet<Uuid>,
    sender: Sender<Uuid>,
    heard: Receiver<Uuid>,
}

impl Ears {
    fn new() -> Self {
        let (sender, heard) = channel();
        Self { open: HashSet::new(), sender, heard }
    }

    fn spawn(&mut self, kitroom: Uuid, wait: impl FnOnce() + Send + 'static) -> Result<()> {
        if !self.open.insert(kitroom) {
            return Ok(());
        }
        let sender = self.sender.clone();
        let thread = std::thread::Builder::new().name("listening".to_owned()).spawn(move || {
            wait();
            // Nobody hears it when the watch is over.
            let _ = sender.send(kitroom);
        });
        thread.map(|_| ()).map_err(|error| Error::internal("a thread could not be started").because(error))
    }

    /// Something comes after a rest.
    fn rest(&mut self) {
        // Without the thread the outbox is still looked at.
        let _ = self.spawn(Uuid::nil(), || std::thread::sleep(REST));
    }

    /// Listens to every kitroom that is not listened to yet.
    fn listen(&mut self, store: &Store, connect: Connect<'_>) -> Result<()> {
        let mut any = false;
        for room in store.kitrooms()? {
            let (Place::Linked, Some(cursor)) = (room.place, room.cursor) else { continue };
            any = true;
            let client = connect()?;
            self.spawn(room.id, move || {
                // What is refused or lost now would be so again at once.
                if client.wait_for_change(room.id, &cursor, WAIT_S).is_err() {
                    std::thread::sleep(REST);
                }
            })?;
        }
        if !any {
            self.rest();
        }
        Ok(())
    }

    /// Returns when something has changed elsewhere or is to be sent from here.
    fn hear(&mut self, store: &Store, go_on: &dyn Fn() -> bool) -> Result<()> {
        let waiting = pending(store)?;
        while go_on() {
            match self.heard.recv_timeout(LOOK) {
                Ok(kitroom) => {
                    self.open.remove(&kitroom);
                    while let Ok(another) = self.heard.try_recv() {
                        self.open.remove(&another);
                    }
                    return Ok(());
                }
                Err(RecvTimeoutError::Disconnected) => return Ok(()),
                Err(RecvTimeoutError::Timeout) => {}
            }
            // What could not be sent a moment ago is not tried again each second.
            if pending(store)? > waiting {
                return Ok(());
            }
        }
        Ok(())
    }
}

fn pending(store: &Store) -> Result<i64> {
    let mut pending = 0;
    for room in store.kitrooms()?.into_iter().filter(|room| room.place != Place::Apart) {
        pending += store.outbox_counts(room.id)?.pending;
    }
    Ok(pending)
}
