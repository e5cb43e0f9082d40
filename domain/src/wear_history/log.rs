//! Log entries as calculations take them, and the use that they add up to.

use std::collections::HashSet;

use uuid::Uuid;

use crate::mass::Evidence;
use crate::sync::record::Stored;
use crate::time::Timestamp;
use crate::wear::UsePoint;
use crate::wire::log_entry::{LogEntryBody, LogEvent};
use crate::wire::shape;

/// The events that only wear a head: beside head tests they say how far it has come, without any test they say nothing
/// of whether an item serves. They are nearly all of a log, so who reads one to judge by may leave them out for items
/// whose head was never tested, as long as no entry left out replaces another.
pub const WEARING: [LogEvent; 2] = [LogEvent::Use, LogEvent::Wash];

/// Over how many days before the day of asking the rate of use is taken.
const RATE_OVER_D: f64 = 365.0;

/// A log entry, with what is known of it beyond its body.
#[derive(Debug, Clone, PartialEq)]
pub struct LogFact {
    /// Its id.
    pub id: Uuid,
    /// Its body.
    pub body: LogEntryBody,
    /// Whether it is voided, superseded, or its time is suspect, so that no calculation uses it.
    pub set_aside: bool,
}

impl LogFact {
    /// From a stored log entry; `superseded` holds the ids that an entry not voided replaces.
    #[must_use]
    pub fn from_record(record: &Stored, superseded: &HashSet<Uuid>) -> Option<Self> {
        let set_aside = !record.is_live() || record.time_suspect || superseded.contains(&record.id);
        Some(Self { id: record.id, body: shape::read(&record.body).ok()?, set_aside })
    }

    /// From all log entries of an item, or of a kitroom.
    #[must_use]
    pub fn all(records: &[Stored]) -> Vec<Self> {
        let superseded = Evidence::superseded(records);
        records.iter().filter_map(|record| Self::from_record(record, &superseded)).collect()
    }

    /// Whether it counts in what was known at an instant.
    #[must_use]
    pub fn counts_at(&self, instant: Timestamp) -> bool {
        !self.set_aside && self.body.observed_at <= instant
    }
}

/// Use by an instant, and how fast it goes on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct WornUse {
    /// Hours worn and washes that are logged.
    pub logged: UsePoint,
    /// Hours worn by day, over the last 365 days.
    pub worn_h_per_d: f64,
    /// Washes by day, over the last 365 days.
    pub washes_per_d: f64,
}

impl WornUse {
    /// The use some days later, at the rate of the last 365.
    #[must_use]
    pub fn after_days(&self, days: f64) -> UsePoint {
        let days = days.max(0.0);
        UsePoint {
            worn_h: self.logged.worn_h + days * self.worn_h_per_d,
            washes: self.logged.washes + days * self.washes_per_d,
        }
    }
}

/// Sums hours worn and washes of one item's log until an instant (entries at the instant count). What is in the vest or
/// the hand does not wear a garment as wearing does and is left out.
#[must_use]
pub fn worn_until(log: &[LogFact], instant: Timestamp) -> WornUse {
    let (mut worn, mut washes, mut worn_recent, mut washes_recent) = (0i64, 0i64, 0i64, 0i64);
    for fact in log.iter().filter(|fact| fact.counts_at(instant)) {
        let recent = instant.days_since(fact.body.observed_at) < RATE_OVER_D;
        let hours = match fact.body.event {
            LogEvent::Use => fact.body.worn_h.map_or(0, |hours| hours.scaled()),
            _ => 0,
        };
        let wash = i64::from(fact.body.event == LogEvent::Wash);
        worn += hours;
        washes += wash;
        if recent {
            worn_recent += hours;
            washes_recent += wash;
        }
    }
    // Thousandths are summed as whole numbers, so that the order of the entries cannot show.
    WornUse {
        logged: UsePoint { worn_h: worn as f64 / 1000.0, washes: washes as f64 },
        worn_h_per_d: worn_recent as f64 / 1000.0 / RATE_OVER_D,
        washes_per_d: washes_recent as f64 / RATE_OVER_D,
    }
}
