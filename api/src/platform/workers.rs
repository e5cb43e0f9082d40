//! Long computations: on threads of their own, no more at once than half of the cores, each with an end.

use std::sync::Arc;
use std::sync::atomic::{AtomicBool, Ordering};
use std::time::{Duration, Instant};

use actix_web::http::header;
use domain::wire::problem::ErrorCode;
use tokio::sync::Semaphore;

use super::error::ApiError;

/// How long somebody waits for a thread before the service says that it is busy.
const PATIENCE: Duration = Duration::from_secs(10);

/// The threads.
#[derive(Debug, Clone)]
pub struct Workers(Arc<Semaphore>);

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
        Self(Arc::new(Semaphore::new((cores / 2).max(1))))
    }
}

impl Workers {
    /// Runs `act`, which looks at its deadline from time to time.
    ///
    /// # Errors
    /// `unavailable` when all threads stay busy, `internal` when the computation itself breaks down.
    pub async fn run<T: Send + 'static>(
        &self,
        limit: Duration,
        act: impl FnOnce(&Deadline) -> T + Send + 'static,
    ) -> Result<T, ApiError> {
        let Ok(permit) = tokio::time::timeout(PATIENCE, Arc::clone(&self.0).acquire_owned()).await else {
            let words = "others compute just now; try again in a few seconds";
            let retry = PATIENCE.as_secs().to_string();
            return Err(ApiError::new(ErrorCode::Unavailable, words).with_header(header::RETRY_AFTER, &retry));
        };
        let permit = permit.map_err(|error| ApiError::internal("the workers are gone", error))?;
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
        let workers = Workers(Arc::new(Semaphore::new(1)));
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
}
