//! Times as the clock at the race shows them.

use chrono::{NaiveDateTime, TimeZone};
use domain::time::Timestamp;
use domain::time_zone;

/// Reads a time: with an offset as it is, else as the clock of the zone shows it.
///
/// # Errors
/// In words, when it is no time, has no offset where there is no zone, or that clock never shows it or shows it twice.
pub fn read(text: &str, zone: Option<&str>) -> Result<Timestamp, String> {
    let text = text.trim();
    if let Ok(at) = text.replacen(' ', "T", 1).parse::<Timestamp>() {
        return Ok(at);
    }
    let plain = text.replacen('T', " ", 1);
    let forms = ["%Y-%m-%d %H:%M", "%Y-%m-%d %H:%M:%S"];
    let Some(local) = forms.iter().find_map(|form| NaiveDateTime::parse_from_str(&plain, form).ok()) else {
        return Err(format!("{text} is no time; write it as in 2026-08-28 06:00"));
    };
    let Some(name) = zone else {
        return Err(format!(
            "{text} says no time zone; give time_zone, as in Europe/Paris, or an offset, as in +02:00"
        ));
    };
    let Some(zone) = time_zone::find(name) else {
        return Err(format!("{name} is no time zone of the IANA database; an example is Europe/Paris"));
    };
    match zone.from_local_datetime(&local) {
        chrono::LocalResult::Single(at) => Ok(Timestamp::from_utc(at.to_utc())),
        chrono::LocalResult::Ambiguous(..) => {
            Err(format!("the clocks of {name} show {text} twice that night; add the offset, as in +02:00"))
        }
        chrono::LocalResult::None => Err(format!("the clocks of {name} skip {text} that night")),
    }
}

/// The day and the clock: "Fri 28 August 2026, 06:00".
#[must_use]
pub fn clock(at: Timestamp, zone: Option<&str>) -> String {
    time_zone::local(at, zone).format("%a %-d %B %Y, %H:%M").to_string()
}

/// The same without the year, for tables: "Sat 29 Aug 02:15".
#[must_use]
pub fn short(at: Timestamp, zone: Option<&str>) -> String {
    time_zone::local(at, zone).format("%a %-d %b %H:%M").to_string()
}

/// So many hours later.
#[must_use]
pub fn later(at: Timestamp, hours: f64) -> Timestamp {
    Timestamp::from_millis(at.millis().saturating_add((hours * 3_600_000.0).round() as i64)).unwrap_or(at)
}

/// Hours and minutes: "7 h 30 min".
#[must_use]
pub fn hours(hours: f64) -> String {
    let minutes = (hours * 60.0).round() as i64;
    match (minutes / 60, minutes % 60) {
        (h, 0) => format!("{h} h"),
        (0, m) => format!("{m} min"),
        (h, m) => format!("{h} h {m} min"),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn read_local_times_by_the_clock_of_the_zone() {
        let zone = Some("Europe/Paris");
        // Central European summer time is two hours ahead of UTC (Directive 2000/84/EC), from the last Sunday of March
        // to the last Sunday of October, both at 01:00 UTC.
        for text in
            ["2026-08-28 06:00", "2026-08-28T06:00:00", "2026-08-28T04:00:00Z", "2026-08-28 06:00:00+02:00"]
        {
            assert_eq!(read(text, zone).unwrap().to_string(), "2026-08-28T04:00:00.000Z", "{text}");
        }
        assert!(read("2026-03-29 02:30", zone).unwrap_err().contains("skip"));
        assert!(read("2026-10-25 02:30", zone).unwrap_err().contains("twice"));
        assert!(read("2026-08-28 06:00", None).unwrap_err().contains("time zone"));
        assert!(read("tomorrow", zone).unwrap_err().contains("is no time"));
        assert!(read("2026-02-30 06:00", zone).is_err());
    }

    #[test]
    fn clock_and_hours_read_as_people_say_them() {
        let at = "2026-08-28T22:30:00Z".parse().unwrap();
        assert_eq!(clock(at, Some("Europe/Paris")), "Sat 29 August 2026, 00:30");
        assert_eq!(short(later(at, 1.75), None), "Sat 29 Aug 00:15");
        assert_eq!(
            [hours(7.5), hours(0.25), hours(20.0), hours(0.0)],
            ["7 h 30 min", "15 min", "20 h", "0 h"]
        );
    }
}
