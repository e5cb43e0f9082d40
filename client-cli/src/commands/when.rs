//! What `--at` means: when something happened.

use chrono::{Days, NaiveDate, NaiveDateTime, NaiveTime};
use domain::time::Timestamp;

use crate::error::{Error, Result};

/// The time that `text` says: now without one; a date is its noon, so that it is that day nearly everywhere, and today
/// is now; a time without an offset is UTC, as everything is shown.
///
/// # Errors
/// When it is no time.
pub fn at(text: Option<&str>, now: Timestamp) -> Result<Timestamp> {
    let Some(text) = text.map(str::trim) else { return Ok(now) };
    let today = now.utc().date_naive();
    let noon = |date: NaiveDate| {
        if date == today { Some(now) } else { date.and_hms_opt(12, 0, 0).map(of_utc) }
    };
    let read = match text {
        "now" | "today" => Some(now),
        "yesterday" => today.checked_sub_days(Days::new(1)).and_then(noon),
        _ => None,
    };
    let read = read.or_else(|| text.parse().ok());
    let read = read.or_else(|| date(text).and_then(noon));
    let read = read.or_else(|| clock(text).map(|time| of_utc(today.and_time(time))));
    let read = read.or_else(|| {
        let (day, time) = text.split_once(['T', ' '])?;
        Some(of_utc(date(day)?.and_time(clock(time.trim())?)))
    });
    read.ok_or_else(|| {
        Error::usage(format!("{text} is no time"))
            .hint("as in --at 2026-03-01, --at '2026-03-01 18:30' (UTC), or --at 2026-03-01T18:30:00+01:00")
    })
}

/// A date as it is typed.
///
/// # Errors
/// When it is no date.
pub fn day(text: &str) -> Result<NaiveDate> {
    date(text.trim()).ok_or_else(|| Error::usage(format!("{text} is no date")).hint("as in 2026-03-01"))
}

fn date(text: &str) -> Option<NaiveDate> {
    NaiveDate::parse_from_str(text, "%Y-%m-%d").ok()
}

fn clock(text: &str) -> Option<NaiveTime> {
    ["%H:%M", "%H:%M:%S"].iter().find_map(|format| NaiveTime::parse_from_str(text, format).ok())
}

fn of_utc(at: NaiveDateTime) -> Timestamp {
    Timestamp::from_utc(at.and_utc())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn at_dates_times_and_words_are_read_and_anything_else_is_refused() {
        let now: Timestamp = "2026-03-01T08:00:00Z".parse().unwrap();
        let read = |text: &str| at(Some(text), now).map(|at| at.to_string()).unwrap_or_default();
        assert_eq!(at(None, now), Ok(now));
        assert_eq!(read("2026-02-27"), "2026-02-27T12:00:00.000Z");
        assert_eq!(read("2026-03-01"), now.to_string());
        assert_eq!(read("yesterday"), "2026-02-28T12:00:00.000Z");
        assert_eq!(read("2026-02-27 18:30"), "2026-02-27T18:30:00.000Z");
        assert_eq!(read("2026-02-27T18:30"), "2026-02-27T18:30:00.000Z");
        assert_eq!(read("2026-02-27T18:30:00+01:00"), "2026-02-27T17:30:00.000Z");
        assert_eq!(read("06:15"), "2026-03-01T06:15:00.000Z");
        for wrong in ["", "soon", "2026-02-30", "27.2.2026", "2026-02-27 25:00", "1"] {
            assert_eq!(read(wrong), "", "{wrong}");
        }
    }
}
