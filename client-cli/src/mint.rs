//! New identifiers: UUIDv7 (RFC 9562, section 5.7) from the clock that is passed in. Within one run they never run
//! backwards, so that of two weighings in one millisecond the later one has the greater id.

use domain::time::Timestamp;
use uuid::{ContextV7, Timestamp as UuidTime, Uuid};

/// Makes identifiers.
#[derive(Debug, Default)]
pub struct Mint {
    context: ContextV7,
}

impl Mint {
    /// One that has made none yet.
    #[must_use]
    pub fn new() -> Self {
        Self { context: ContextV7::new() }
    }

    /// A new identifier.
    #[must_use]
    pub fn id(&self, now: Timestamp) -> Uuid {
        let millis = now.millis().unsigned_abs();
        let nanos = u32::try_from(millis % 1000).unwrap_or(0) * 1_000_000;
        Uuid::new_v7(UuidTime::from_unix(&self.context, millis / 1000, nanos))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn id_same_millisecond_stays_in_order_and_holds_the_time() {
        let now: Timestamp = "2026-03-01T05:10:00.123Z".parse().unwrap();
        let mint = Mint::new();
        let ids: Vec<Uuid> = (0..2000).map(|_| mint.id(now)).collect();
        assert!(ids.is_sorted() && ids.windows(2).all(|pair| pair[0] != pair[1]));
        assert!(ids.iter().all(|id| domain::ids::require_v7(*id).is_ok()));
        let (seconds, nanos) = ids[0].get_timestamp().unwrap().to_unix();
        assert_eq!(i64::try_from(seconds).unwrap() * 1000 + i64::from(nanos) / 1_000_000, now.millis());
    }
}
