//! Computations: on threads of their own, so that no request waits for another one's numbers.
//!
//! Long ones, each with an end, no more at once than half of the cores; brief ones, which end by themselves, no more than
//! there are cores, so that they never wait for the long ones.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use actix_web::http::header;
use actix_web::web;
use domain::wire::problem::ErrorCode;
use tokio::sync::{OwnedSemaphorePermit, Semaphore};

use super::error::ApiError;

/// How long somebody waits for a thread before the service says that it is busy.
const PATIENCE: Duration = Duration::from_secs(10);

/// The threads.
#[derive(Debug, Clone)]
pub struct Workers {
    long: Arc<Semaphore>,
    brief: Arc<Semaphore>,
}

/// When a computation has to come to an end: its time is over, or nobody waits for it any more.
#[derive(Debug)]
pub struct Deadline {
    at: Instant,
    abandoned: Arc<AtomicBool>,
}

impl Deadline {
    /// Whether it has come.
    #[must_use]
    pub fn is_over(&self) -> bool {
        self.abandoned.load(Ordering::Relaxed) || Instant::now() >= self.at
    }
}

/// Says so when the request is dropped before its answer.
struct Abandon(Arc<AtomicBool>);

impl Drop for Abandon {
    fn drop(&mut self) {
        self.0.store(true, Ordering::Relaxed);
    }
}

impl Default for Workers {
    fn default() -> Self {
        let cores = std::thread::available_parallelism().map_or(1, std::num::NonZero::get);
        Self::of(cores)
    }
}

/// A place among those that compute, once there is one.
async fn place(of: &Arc<Semaphore>) -> Result<OwnedSemaphorePermit, ApiError> {
    let Ok(permit) = tokio::time::timeout(PATIENCE, Arc::clone(of).acquire_owned()).await else {
        let words = "others compute just now; try again in a few seconds";
        let retry = PATIENCE.as_secs().to_string();
        return Err(ApiError::new(ErrorCode::Unavailable, words).with_header(header::RETRY_AFTER, &retry));
    };
    permit.map_err(|error| ApiError::internal("the workers are gone", error))
}

impl Workers {
    fn of(cores: usize) -> Self {
        let places = |n: usize| Arc::new(Semaphore::new(n.max(1)));
        Self { long: places(cores / 2), brief: places(cores) }
    }

    /// Runs `act`, which ends soon by itself.
    ///
    /// # Errors
    /// `unavailable` when all threads stay busy, `internal` when the computation itself breaks down.
    pub async fn brief<T: Send + 'static>(
        &self,
        act: impl FnOnce() -> T + Send + 'static,
    ) -> Result<T, ApiError> {
        let permit = place(&self.brief).await?;
        let done = web::block(move || {
            let _permit = permit;
            act()
        });
        done.await.map_err(|error| ApiError::internal("a computation broke down", error))
    }

    /// Runs `act`, which looks at its deadline from time to time.
    ///
    /// # Errors
    /// `unavailable` when all threads stay busy, `internal` when the computation itself breaks down.
    pub async fn run<T: Send + 'static>(
        &self,
        limit: Duration,
        act: impl FnOnce(&Deadline) -> T + Send + 'static,
    ) -> Result<T, ApiError> {
        let permit = place(&self.long).await?;
        let abandoned = Arc::new(AtomicBool::new(false));
        let _abandon = Abandon(Arc::clone(&abandoned));
        let done = tokio::task::spawn_blocking(move || {
            let _permit = permit;
            act(&Deadline { at: Instant::now() + limit, abandoned })
        });
        done.await.map_err(|error| ApiError::internal("a computation broke down", error))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[tokio::test]
    async fn run_ends_at_its_deadline_and_when_nobody_waits_any_more() {
        let workers = Workers::of(1);
        let spin = |deadline: &Deadline| {
            let begun = Instant::now();
            while !deadline.is_over() {
                std::thread::sleep(Duration::from_millis(1));
            }
            begun.elapsed()
        };
        let took = workers.run(Duration::from_millis(20), spin).await.unwrap();
        assert!(took >= Duration::from_millis(20), "{took:?}");
        let hour = Duration::from_secs(3600);
        let dropped = tokio::time::timeout(Duration::from_millis(50), workers.run(hour, spin)).await;
        assert!(dropped.is_err());
        // The thread is free again, or this would wait for an hour.
        assert_eq!(workers.run(hour, |_| 7).await.unwrap(), 7);
    }

    #[tokio::test]
    async fn brief_does_not_wait_for_the_long_ones_and_gives_its_place_back() {
        let workers = Workers::of(1);
        let (enough, said) = (Arc::new(AtomicBool::new(false)), Duration::from_millis(1));
        let heard = Arc::clone(&enough);
        let long = workers.run(Duration::from_secs(3600), move |deadline| {
            while !heard.load(Ordering::Relaxed) && !deadline.is_over() {
                std::thread::sleep(said);
            }
            heard.load(Ordering::Relaxed)
        });
        let brief = async {
            for n in 0..3 {
                assert_eq!(workers.brief(move || n).await.unwrap(), n);
            }
            // A computation that breaks down gives its place back too.
            assert!(workers.brief(|| assert!(std::hint::black_box(false), "broken")).await.is_err());
            let last = workers.brief(|| 7).await.unwrap();
            let busy = workers.long.available_permits() == 0;
            enough.store(true, Ordering::Relaxed);
            (last, busy)
        };
        let (long, brief) = tokio::join!(long, brief);
        assert!(long.unwrap(), "it ended because it was told to");
        assert_eq!(brief, (7, true));
    }
}
