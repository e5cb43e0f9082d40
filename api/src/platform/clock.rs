//! The one place that reads the clock.

use std::sync::Arc;

use chrono::{DateTime, Utc};
use domain::time::Timestamp;

/// A source of the time.
#[derive(Clone)]
pub struct Clock(Arc<dyn Fn() -> DateTime<Utc> + Send + Sync>);

impl Clock {
    /// The machine's clock.
    #[must_use]
    pub fn system() -> Self {
        #[expect(clippy::disallowed_methods, reason = "this is the one place that reads the clock")]
        Self(Arc::new(Utc::now))
    }

    /// A clock of one's own, for tests.
    pub fn from_fn(now: impl Fn() -> DateTime<Utc> + Send + Sync + 'static) -> Self {
        Self(Arc::new(now))
    }

    /// Now, as the database keeps it.
    #[must_use]
    pub fn now(&self) -> DateTime<Utc> {
        self.timestamp().utc()
    }

    /// Now, to the millisecond.
    #[must_use]
    pub fn timestamp(&self) -> Timestamp {
        Timestamp::from_utc((self.0)())
    }
}

impl std::fmt::Debug for Clock {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str("Clock")
    }
}
