//! Instants and dates on the wire: RFC 3339 with any offset comes in, UTC to the millisecond is kept.

use std::fmt;
use std::str::FromStr;

use chrono::{DateTime, SecondsFormat, TimeZone, Utc};
use serde::{Deserialize, Deserializer, Serialize, Serializer};

/// An instant, in UTC, to the millisecond.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Timestamp(i64);

/// Why a text is no instant.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum TimeError {
    /// Not RFC 3339 with an offset.
    #[error("must be a time with an offset, as in 2026-03-01T05:10:00+01:00 (RFC 3339)")]
    Malformed,
    /// Outside the years in which kit is logged.
    #[error("must be from 1970 to 9999")]
    OutOfRange,
}

impl Timestamp {
    /// The last millisecond of the year 9999.
    const MAX_MS: i64 = 253_402_300_799_999;

    /// From milliseconds since 1970-01-01T00:00:00Z.
    ///
    /// # Errors
    /// [`TimeError::OutOfRange`] before 1970 and after 9999.
    pub fn from_millis(ms: i64) -> Result<Self, TimeError> {
        if (0..=Self::MAX_MS).contains(&ms) { Ok(Self(ms)) } else { Err(TimeError::OutOfRange) }
    }

    /// From a `chrono` instant; anything below the millisecond is cut off, and a time out of range is moved to its
    /// end.
    #[must_use]
    pub fn from_utc(at: DateTime<Utc>) -> Self {
        Self(at.timestamp_millis().clamp(0, Self::MAX_MS))
    }

    /// Milliseconds since 1970-01-01T00:00:00Z.
    #[must_use]
    pub fn millis(self) -> i64 {
        self.0
    }

    /// As a `chrono` instant.
    #[must_use]
    pub fn utc(self) -> DateTime<Utc> {
        Utc.timestamp_millis_opt(self.0).single().unwrap_or(DateTime::UNIX_EPOCH)
    }

    /// Hours from `earlier` to this, negative when this is before it.
    #[must_use]
    pub fn hours_since(self, earlier: Timestamp) -> f64 {
        (self.0 - earlier.0) as f64 / 3_600_000.0
    }

    /// Days of 24 hours from `earlier` to this.
    #[must_use]
    pub fn days_since(self, earlier: Timestamp) -> f64 {
        self.hours_since(earlier) / 24.0
    }
}

impl FromStr for Timestamp {
    type Err = TimeError;
    fn from_str(text: &str) -> Result<Self, TimeError> {
        let at = DateTime::parse_from_rfc3339(text).map_err(|_| TimeError::Malformed)?;
        Self::from_millis(at.timestamp_millis())
    }
}

impl fmt::Display for Timestamp {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.utc().to_rfc3339_opts(SecondsFormat::Millis, true))
    }
}

impl Serialize for Timestamp {
    fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
        serializer.collect_str(self)
    }
}

impl<'de> Deserialize<'de> for Timestamp {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
        let text = <std::borrow::Cow<'_, str>>::deserialize(deserializer)?;
        text.parse().map_err(serde::de::Error::custom)
    }
}

#[cfg(feature = "openapi")]
impl utoipa::PartialSchema for Timestamp {
    fn schema() -> utoipa::openapi::RefOr<utoipa::openapi::schema::Schema> {
        crate::openapi::date_time()
    }
}

#[cfg(feature = "openapi")]
impl utoipa::ToSchema for Timestamp {}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn parse_offset_kept_as_utc_milliseconds() {
        // RFC 3339 section 5.8: these two examples are the same instant.
        let a: Timestamp = "1996-12-19T16:39:57-08:00".parse().unwrap();
        let b: Timestamp = "1996-12-20T00:39:57Z".parse().unwrap();
        assert_eq!(a, b);
        assert_eq!(a.to_string(), "1996-12-20T00:39:57.000Z");
        assert_eq!("2026-02-30T00:00:00Z".parse::<Timestamp>(), Err(TimeError::Malformed));
        assert_eq!("2026-02-03T00:00:00".parse::<Timestamp>(), Err(TimeError::Malformed));
        assert_eq!("1969-12-31T23:59:59Z".parse::<Timestamp>(), Err(TimeError::OutOfRange));
    }
}
