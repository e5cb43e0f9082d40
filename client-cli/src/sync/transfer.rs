//! Push and pull of one kitroom.

use domain::sync::op::OpStatus;
use domain::wire::problem::ErrorCode;
use domain::wire::sync::{DEFAULT_CHANGES, PushRequest, SCHEMA_VERSION, SyncLimits};

use super::run::Summary;
use crate::error::{Error, Result};
use crate::local::{Kitroom, Store};
use crate::remote::retry::persist;
use crate::remote::{Failure, Remote};

/// Sends what waits, batch by batch. A batch whose answer was lost is sent again as it was: the service knows its ops.
pub(super) fn push(
    store: &mut Store,
    remote: &mut dyn Remote,
    room: &Kitroom,
    limits: &SyncLimits,
    summary: &mut Summary,
) -> Result<()> {
    let env = store.env().clone();
    let mut forked = false;
    loop {
        let batch = store.take_batch(room.id, limits)?;
        if batch.is_empty() {
            return Ok(());
        }
        let request = PushRequest {
            replica_id: store.replica_id()?,
            schema_version: SCHEMA_VERSION,
            ops: batch.iter().map(|op| op.to_push()).collect(),
        };
        match persist(&env, || remote.push(room.id, &request)) {
            Ok(response) => {
                store.note_results(room.id, &response)?;
                let of = |wanted: fn(OpStatus) -> bool| {
                    response.results.iter().filter(|result| wanted(result.status)).count()
                };
                let refused = of(|status| status == OpStatus::Rejected);
                let skipped = of(|status| status == OpStatus::NotAttempted);
                summary.refused += refused;
                summary.sent += response.results.len() - refused - skipped;
                if response.results.len() == skipped {
                    return Err(Error::unreachable(format!("{} was not sent whole", room.name))
                        .because("the service could not finish the batch")
                        .hint("nothing is lost; try again: tare sync"));
                }
            }
            // Another copy of this folder has used our numbers. The ops keep their ids, so none is taken twice.
            Err(failure) if failure.code() == Some(ErrorCode::ReplicaForked) && !forked => {
                forked = true;
                store.become_new_replica(room.id)?;
            }
            Err(failure) => return Err(explain(&failure, room, "was not sent")),
        }
    }
}

/// Gets what is new, page by page.
pub(super) fn pull(
    store: &mut Store,
    remote: &mut dyn Remote,
    room: &Kitroom,
    summary: &mut Summary,
) -> Result<()> {
    let env = store.env().clone();
    let outcome = loop {
        let cursor = store.kitroom(room.id)?.cursor;
        match persist(&env, || remote.changes(room.id, cursor.as_deref(), DEFAULT_CHANGES)) {
            Ok(page) => {
                summary.received += store.apply_page(room.id, &page)?.received;
                if !page.has_more {
                    break Ok(());
                }
                if Some(&page.next_cursor) == cursor.as_ref() {
                    break Err(Error::refused(format!("{} was not received whole", room.name))
                        .because("the service answered the same page twice"));
                }
            }
            Err(failure) => break Err(explain(&failure, room, "was not received whole")),
        }
    };
    // A pull that was cut off leaves masses to be brought up to date.
    store.freshen(room.id)?;
    outcome
}

fn explain(failure: &Failure, room: &Kitroom, what: &str) -> Error {
    match failure.code() {
        Some(ErrorCode::EpochChanged) => crate::local::epoch_changed(&room.name),
        Some(ErrorCode::OpGap) => failure
            .to_error(&format!("{} {what}", room.name))
            .hint("this folder is older than what it has sent before: was it restored from a backup? Nothing was sent"),
        Some(ErrorCode::NotFound) => failure
            .to_error(&format!("the service does not show {}", room.name))
            .hint("you may have been removed from it; nothing was changed on this device"),
        Some(ErrorCode::CursorExpired | ErrorCode::CursorInvalid) => failure
            .to_error(&format!("{} {what}", room.name))
            .hint("nothing is lost here; ask whoever runs the service whether it was restored"),
        _ => failure.to_error(&format!("{} {what}", room.name)),
    }
}
