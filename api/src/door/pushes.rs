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
            spawn(Turn { pushes: self, kitroom, is_over: false }.run(pool.clone()));
        }
        let lost = |error| ApiError::unavailable("a push was given up with the worker that had it", error);
        answered.await.map_err(lost)?
    }

    fn lock(&self) -> MutexGuard<'_, HashMap<Uuid, VecDeque<Waiting>>> {
        self.waiting.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// The work on the pushes of one kitroom, as long as there are any.
struct Turn {
    pushes: Arc<Pushes>,
    kitroom: Uuid,
    is_over: bool,
}

impl Drop for Turn {
    fn drop(&mut self) {
        // It was broken off: whoever waits is told so, and the next push begins anew. When it has come to its end, another
        // turn may have begun already.
        if !self.is_over {
            self.pushes.lock().remove(&self.kitroom);
        }
    }
}

impl Turn {
    async fn run(mut self, pool: Pool) {
        while let Some(next) = self.next() {
            apply(&pool, self.kitroom, next).await;
        }
    }

    /// Those that come next: together no more ops than one push may have. None when nobody waits; then the turn is over.
    fn next(&mut self) -> Option<Vec<Waiting>> {
        let mut all = self.pushes.lock();
        let queue = all.entry(self.kitroom).or_default();
        let mut room = MAX_OPS;
        let mut next = Vec::new();
        while let Some(first) = queue.front()
            && (next.is_empty() || first.ops.len() <= room)
        {
            room = room.saturating_sub(first.ops.len());
            next.extend(queue.pop_front());
        }
        if next.is_empty() {
            all.remove(&self.kitroom);
            self.is_over = true;
            return None;
        }
        Some(next)
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

#[cfg(test)]
mod tests {
    use domain::sync::op::Action;
    use domain::time::Timestamp;
    use domain::wire::shape::Object;

    use super::*;

    const KITROOM: Uuid = Uuid::from_u128(7);

    type Answered = oneshot::Receiver<Result<Applied, ApiError>>;

    fn waits(pushes: &Pushes, ops: usize) -> Answered {
        let op = Op {
            op_id: Uuid::from_u128(1),
            op_no: Some(1),
            group: "g".into(),
            kind: "item".into(),
            record_id: Uuid::from_u128(2),
            action: Action::Create,
            base_seq: 0,
            payload: Object::new(),
            done_at: None,
            hash: [0; 32],
            if_version: None,
        };
        let now = Timestamp::from_millis(0).unwrap();
        let account = Uuid::from_u128(3);
        let sender = Sender { account, replica: None, if_epoch: None, records_at_most: 1, now };
        let (answer, answered) = oneshot::channel();
        let waiting = Waiting { sender, ops: vec![op; ops], answer };
        pushes.lock().entry(KITROOM).or_default().push_back(waiting);
        answered
    }

    fn turn(pushes: &Arc<Pushes>) -> Turn {
        Turn { pushes: Arc::clone(pushes), kitroom: KITROOM, is_over: false }
    }

    #[test]
    fn next_takes_in_their_order_what_one_push_may_have_together() {
        let pushes = Arc::new(Pushes::default());
        let _answers: Vec<Answered> =
            [200, 300, 1, MAX_OPS, 2].into_iter().map(|ops| waits(&pushes, ops)).collect();
        let mut turn = turn(&pushes);
        let mut taken = Vec::new();
        while let Some(next) = turn.next() {
            taken.push(next.iter().map(|waiting| waiting.ops.len()).collect::<Vec<_>>());
        }
        assert_eq!(taken, [vec![200, 300], vec![1], vec![MAX_OPS], vec![2]]);
        assert!(turn.is_over && pushes.lock().is_empty());
    }

    #[test]
    fn turn_that_is_over_leaves_those_who_came_since_to_the_next() {
        let pushes = Arc::new(Pushes::default());
        let mut turn = turn(&pushes);
        assert!(turn.next().is_none());
        let mut answered = waits(&pushes, 1);
        drop(turn);
        assert_eq!(pushes.lock()[&KITROOM].len(), 1);
        assert!(matches!(answered.try_recv(), Err(oneshot::error::TryRecvError::Empty)));
    }

    #[test]
    fn turn_that_is_broken_off_leaves_nobody_waiting() {
        let pushes = Arc::new(Pushes::default());
        let mut answered = waits(&pushes, 1);
        drop(turn(&pushes));
        assert!(pushes.lock().is_empty());
        assert!(matches!(answered.try_recv(), Err(oneshot::error::TryRecvError::Closed)));
    }
}
