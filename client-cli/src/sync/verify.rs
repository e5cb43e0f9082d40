//! Whether this device holds what the service holds, kind by kind.

use std::collections::BTreeMap;

use domain::wire::sync::Digest;

use crate::error::{Error, Result};
use crate::local::{Kitroom, Store};
use crate::remote::Failure;
use crate::remote::client::HttpClient;

/// How one kitroom compares.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Compared {
    /// The same records, byte for byte.
    Same {
        /// How many.
        records: i64,
    },
    /// Not at the same change, so that nothing can be said before the next sync.
    Behind,
    /// Kinds that differ: how many records there are here and there.
    Differs(BTreeMap<String, (i64, i64)>),
}

/// Compares a kitroom with the service.
///
/// # Errors
/// When the service does not answer, or the store cannot be read.
pub fn compare(store: &Store, client: &HttpClient, room: &Kitroom) -> Result<Compared> {
    let digest = client.digest(room.id).map_err(|failure: Failure| -> Error {
        failure.to_error(&format!("{} could not be compared", room.name))
    })?;
    against(store, room, &digest)
}

fn against(store: &Store, room: &Kitroom, digest: &Digest) -> Result<Compared> {
    if digest.head_seq != room.base_seq {
        return Ok(Compared::Behind);
    }
    let here = store.counts_by_kind(room.id)?;
    let differing: BTreeMap<String, (i64, i64)> = store
        .kinds_out_of_step(room.id, digest)?
        .into_iter()
        .map(|kind| {
            let there = digest.kinds.get(kind).map_or(0, |kind| kind.count);
            (kind.to_owned(), (here.get(kind).copied().unwrap_or(0), there))
        })
        .collect();
    Ok(if differing.is_empty() {
        Compared::Same { records: here.values().sum() }
    } else {
        Compared::Differs(differing)
    })
}
