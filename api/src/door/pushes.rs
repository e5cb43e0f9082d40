//! Pushes that wait for the same kitroom go through the door together: one transaction, one lock, one commit, so that many
//! devices that sync at once do not each wait for all the others' round trips. Each has its own answer, as if it had come
//! alone behind those before it.

use std::collections::{HashMap, VecDeque};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

use actix_web::rt::spawn;
use domain::sync::op::Op;
use domain::wire::sync::MAX_OPS;
use tokio::sync::oneshot;
use uuid::Uuid;

use super::{Applied, Batch, Sender, apply_together, push_ops};
use crate::platform::db::{self, Pool};
use crate::platform::error::ApiError;

/// The pushes that wait, of all workers.
#[derive(Debug, Default)]
pub struct Pushes {
    /// By kitroom, as long as somebody is at work there.
    waiting: Mutex<HashMap<Uuid, VecDeque<Waiting>>>,
}

#[derive(Debug)]
struct Waiting {
    sender: Sender,
    ops: Vec<Op>,
    answer: oneshot::Sender<Result<Applied, ApiError>>,
}

impl Pushes {
    /// Applies the ops of a push. When a batch cannot be written, its groups are applied one by one, so that one that the
    /// database refuses holds up no other that stands before it; what stands after is answered as not attempted. What
    /// was begun goes on when the caller does not wait for it.
    ///
    /// # Errors
    /// As [`super::apply_ops`], when not even the first group could be applied.
    pub async fn push(
        self: Arc<Self>,
        pool: &Pool,
        kitroom: Uuid,
        sender: Sender,
        ops: Vec<Op>,
    ) -> Result<Applied, ApiError> {
        let (answer, answered) = oneshot::channel();
        let waiting = Waiting { sender, ops, answer };
        let is_first = {
            let mut all = self.lock();
            let is_first = !all.contains_key(&kitroom);
            all.entry(kitroom).or_default().push_back(waiting);
            is_first
        };
        if is_first {
            spawn(Turn { pushes: self, kitroom }.run(pool.clone()));
        }
        let lost = |error| ApiError::unavailable("a push was given up with the worker that had it", error);
        answered.await.map_err(lost)?
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<Uuid, VecDeque<Waiting>>> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }

    /// Those that come next: together no more ops than one push may have. None when nobody waits, and the turn is over.
    fn next(&self, kitroom: Uuid) -> Option<Vec<Waiting>> {
        let mut all = self.lock();
        let queue = all.get_mut(&kitroom)?;
        let mut room = MAX_OPS;
        let mut next = Vec::new();
        while let Some(first) = queue.front()
            && (next.is_empty() || first.ops.len() <= room)
        {
            room = room.saturating_sub(first.ops.len());
            next.extend(queue.pop_front());
        }
        if next.is_empty() {
            all.remove(&kitroom);
        }
        (!next.is_empty()).then_some(next)
    }
}

/// The work on the pushes of one kitroom. However it ends, nobody waits for it any more.
struct Turn {
    pushes: Arc<Pushes>,
    kitroom: Uuid,
}

impl Drop for Turn {
    fn drop(&mut self) {
        self.pushes.lock().remove(&self.kitroom);
    }
}

impl Turn {
    async fn run(self, pool: Pool) {
        while let Some(next) = self.pushes.next(self.kitroom) {
            apply(&pool, self.kitroom, next).await;
        }
    }
}

/// Nobody may be listening any more: then the answer is lost as any other on the way.
fn give(waiting: Waiting, answer: Result<Applied, ApiError>) {
    drop(waiting.answer.send(answer));
}

async fn apply(pool: &Pool, kitroom: Uuid, next: Vec<Waiting>) {
    let mut conn = match db::connection(pool).await {
        Ok(conn) => conn,
        Err(error) => return next.into_iter().for_each(|waiting| give(waiting, Err(error.clone()))),
    };
    let batches: Vec<Batch<'_>> =
        next.iter().map(|waiting| Batch { sender: waiting.sender, ops: &waiting.ops }).collect();
    match apply_together(&mut conn, kitroom, &batches).await {
        Ok(answers) => {
            return next.into_iter().zip(answers).for_each(|(waiting, answer)| give(waiting, answer));
        }
        // Something in one of them may be what the database does not take.
        Err(error) if error.problem().status == 500 => {}
        Err(error) => return next.into_iter().for_each(|waiting| give(waiting, Err(error.clone()))),
    }
    for waiting in next {
        let answer = push_ops(&mut conn, kitroom, waiting.sender, &waiting.ops).await;
        give(waiting, answer);
    }
}
