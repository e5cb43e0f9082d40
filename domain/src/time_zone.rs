//! Time zones by their names in the IANA database: the day and the clock at a place.

use chrono::{DateTime, FixedOffset, NaiveDate, Offset, TimeZone};
use chrono_tz::Tz;

use crate::time::Timestamp;

/// The zone of this name.
#[must_use]
pub fn find(name: &str) -> Option<Tz> {
    name.parse().ok()
}

/// An instant as the clock of a zone shows it; UTC without a zone or with one that is not known.
#[must_use]
pub fn local(at: Timestamp, zone: Option<&str>) -> DateTime<FixedOffset> {
    let utc = at.utc();
    let offset = match zone.and_then(find) {
        Some(zone) => zone.offset_from_utc_datetime(&utc.naive_utc()).fix(),
        None => chrono::Utc.fix(),
    };
    utc.with_timezone(&offset)
}

/// The day of an instant in a zone.
#[must_use]
pub fn day(at: Timestamp, zone: Option<&str>) -> NaiveDate {
    local(at, zone).date_naive()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn day_near_midnight_is_the_place_s_own() {
        let at: Timestamp = "2026-08-28T22:30:00Z".parse().unwrap();
        assert_eq!(day(at, None).to_string(), "2026-08-28");
        // Central European summer time is two hours ahead of UTC (Directive 2000/84/EC).
        assert_eq!(day(at, Some("Europe/Paris")).to_string(), "2026-08-29");
        assert_eq!(local(at, Some("Europe/Paris")).to_rfc3339(), "2026-08-29T00:30:00+02:00");
        assert_eq!(find("Nowhere/Land"), None);
    }
}
